/* Charts of the structures that the filters leave, as plain SVG. */
function bars(title, pairs, mark) {
  const made = make("figure"), high = pairs.length * 20 + 8;
  made.append(make("figcaption", title));
  const picture = draw("svg", { viewBox: "0 0 320 " + Math.max(high, 30), role: "img" });
  picture.append(draw("title", {}, title + ": " + pairs.map(([name, count]) => name + " " + count).join(", ")));
  const most = Math.max(1, ...pairs.map((pair) => pair[1]));
  pairs.forEach(([name, count], place) => {
    const y = 6 + place * 20, wide = (150 * count) / most;
    picture.append(draw("text", { x: 122, y: y + 11, "text-anchor": "end" }, name));
    picture.append(draw("rect", { x: 128, y, width: wide, height: 14, fill: mark && mark(name) ? "#7a1f5c" : "#4a6674" }));
    picture.append(draw("text", { x: 132 + wide, y: y + 11 }, String(count)));
  });
  if (!pairs.length) picture.append(draw("text", { x: 10, y: 20 }, "no figures"));
  made.append(picture);
  return made;
}

function spread(values, step, words, beyond) {
  const counts = new Map();
  for (const value of values) {
    const place = Math.floor(value / step + 1e-9);
    counts.set(place, (counts.get(place) || 0) + 1);
  }
  const places = [...counts.keys()].sort((a, b) => a - b);
  const low = places[0], high = places[places.length - 1], pairs = [];
  if (high - low < 40) for (let place = low; place <= high; place += 1) pairs.push([words(place * step, (place + 1) * step), counts.get(place) || 0]);
  else for (const place of places.slice(0, 60)) pairs.push([words(place * step, (place + 1) * step), counts.get(place)]);
  return pairs;
}

function counted(indices, column, table) {
  const counts = new Map();
  for (const index of indices) counts.set(column[index], (counts.get(column[index]) || 0) + 1);
  return [...counts].sort((a, b) => b[1] - a[1] || a[0] - b[0]).map(([place, count]) => [table[place], count]);
}

const known = (indices, column) => indices.map((index) => column[index]).filter((value) => value !== null);
const between = (low, high) => length(low).replace(/ (in|mm)$/, "") + " to " + length(high);

function showCharts(indices) {
  const inch = 25.4, limit = DATA.max_chimney;
  const high = known(indices, DATA.chimney_max), past = high.filter((value) => value > limit + 1e-3).length;
  byId("charts").replaceChildren(
    bars("Raise (minus = lower)", spread(known(indices, DATA.raise), US ? inch / 2 : 10, between)),
    bars("Slope of the cover", spread(known(indices, DATA.slope), 1, (low, up) => low + " to " + up + " %")),
    bars("What is done", counted(indices, DATA.method, DATA.method_words)),
    bars(
      "Greatest chimney height; limit " + length(limit) + ", past it: " + past,
      spread(high, US ? 2 * inch : 50, between),
    ),
  );
}

function showCounts() {
  const kinds = DATA.texts.kind, rows = new Map();
  for (let index = 0; index < N; index += 1) {
    const row = rows.get(DATA.method[index]) || new Array(kinds.length).fill(0);
    row[DATA.kind[index]] += 1;
    rows.set(DATA.method[index], row);
  }
  const sum = (row) => row.reduce((all, count) => all + count, 0);
  const lines = [...rows].sort((a, b) => sum(b[1]) - sum(a[1]) || a[0] - b[0]);
  const totals = kinds.map((_, place) => lines.reduce((all, line) => all + line[1][place], 0));
  const shown = lines.map(([method, row]) => [DATA.method_words[method], ...row.map(String), String(sum(row))]);
  shown.push(["all", ...totals.map(String), String(N)]);
  byId("pay").replaceChildren(table(["what is done", ...kinds, "all"], shown, 1));
}

function showBid(filter) {
  const streets = new Map();
  let all = 0;
  for (let index = 0; index < N; index += 1) {
    const first = DATA.ready_keys[DATA.ready[index]];
    if (first !== "measure" && first !== "review" && first !== "unknown") continue;
    const row = streets.get(DATA.street[index]) || { measure: 0, review: 0, unknown: 0 };
    row[first] += 1;
    all += 1;
    streets.set(DATA.street[index], row);
  }
  byId("bid").textContent = all + " of " + N + " structures have figures that are not good for ordering yet.";
  const rows = [...streets].map(([street, row]) => [text("street", street) || "no street", row.measure, row.review, row.unknown]);
  rows.sort((a, b) => b[1] + b[2] + b[3] - a[1] - a[2] - a[3] || (a[0] < b[0] ? -1 : 1));
  byId("bidtable").replaceChildren(table(["street", "measure", "review", "not computed"], rows.slice(0, 200), 1));
}
