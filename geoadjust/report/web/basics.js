"use strict";
/* Data of the page, words, and small helpers. Texts of the data are shown by textContent alone. */
const DATA = JSON.parse(document.getElementById("data").textContent);
const N = DATA.count;
const US = DATA.units === "us";
const byId = (name) => document.getElementById(name);
const text = (table, index) => (index < 0 ? "" : DATA.texts[table][index]);

function make(tag, words, attributes) {
  const made = document.createElement(tag);
  if (words !== undefined && words !== null) made.textContent = words;
  for (const [name, value] of Object.entries(attributes || {})) made.setAttribute(name, value);
  return made;
}

function draw(tag, attributes, words) {
  const made = document.createElementNS("http://www.w3.org/2000/svg", tag);
  for (const [name, value] of Object.entries(attributes || {})) made.setAttribute(name, value);
  if (words !== undefined) made.textContent = words;
  return made;
}

/* Half up, away from what binary fractions do to a tie. */
const steps = (value, step) => Math.sign(value) * Math.floor(Math.abs(value) / step + 0.5 + 1e-6);

function inches(mm) {
  let count = steps(mm, 25.4 / 16);
  if (count === 0) return "0 in";
  const sign = count < 0 ? "-" : "";
  count = Math.abs(count);
  const whole = Math.floor(count / 16);
  let part = count % 16, of = 16;
  while (part && part % 2 === 0) { part /= 2; of /= 2; }
  const pieces = [whole || !part ? String(whole) : "", part ? part + "/" + of : ""].filter(Boolean);
  return sign + pieces.join(" ") + " in";
}

function length(mm) {
  if (mm === null || mm === undefined) return "–";
  return US ? inches(mm) : (steps(mm, 1) || 0) + " mm";
}

const number = (value, digits, unit) => (value === null || value === undefined ? "–" : value.toFixed(digits) + unit);

function table(headings, rows, figures) {
  const made = make("table");
  const head = made.appendChild(make("thead")).appendChild(make("tr"));
  const kind = (place) => (figures && place >= figures ? { class: "figure" } : {});
  headings.forEach((words, place) => head.append(make("th", words, { scope: "col", ...kind(place) })));
  const body = made.appendChild(make("tbody"));
  for (const row of rows) {
    const line = body.appendChild(make("tr"));
    row.forEach((words, place) => line.append(make("td", words, kind(place))));
  }
  return made;
}

function nameOf(index) {
  return DATA.id[index] || "row " + DATA.row[index] + ", no id";
}
