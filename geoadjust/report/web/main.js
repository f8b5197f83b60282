/* Filters, list, and what joins map, list and details. */
const LINES = 50;
let shown = [], first = 0, map = null, chosen = -1;

function fill(select, words, counts) {
  select.replaceChildren(make("option", "all", { value: "" }));
  words.map((name, place) => [name, place]).filter(([, place]) => counts[place])
    .sort((a, b) => (a[0] < b[0] ? -1 : 1))
    .forEach(([name, place]) => select.append(make("option", (name || "not stated") + " (" + counts[place] + ")", { value: String(place) })));
}

function countBy(column, size) {
  const counts = new Array(size).fill(0);
  for (const value of column) for (const place of Array.isArray(value) ? value : [value]) if (place >= 0) counts[place] += 1;
  return counts;
}

function wanted() {
  const pick = (name) => (byId(name).value === "" ? null : Number(byId(name).value));
  const [street, method, ready, flag] = ["street", "method", "ready", "flag"].map(pick);
  const search = byId("search").value.trim().toLowerCase();
  const found = [];
  for (let index = 0; index < N; index += 1) {
    if (street !== null && DATA.street[index] !== street) continue;
    if (method !== null && DATA.method[index] !== method) continue;
    if (ready !== null && DATA.ready[index] !== ready) continue;
    if (flag !== null && !DATA.flags[index].includes(flag)) continue;
    if (search && !nameOf(index).toLowerCase().includes(search)) continue;
    found.push(index);
  }
  return found;
}

function showList() {
  const body = byId("found").tBodies[0], part = shown.slice(first, first + LINES);
  body.replaceChildren(...part.map((index) => {
    const line = make("tr", null, index === chosen ? { class: "chosen" } : {});
    const button = make("button", nameOf(index), { type: "button" });
    button.addEventListener("click", () => choose(index, true));
    line.appendChild(make("td")).append(button);
    const words = [text("street", DATA.street[index]), text("kind", DATA.kind[index]), text("remark", DATA.remark[index]),
      DATA.ready_words[DATA.ready[index]], DATA.severity_words[DATA.severity[index]]];
    words.forEach((each) => line.append(make("td", each)));
    return line;
  }));
  byId("span").textContent = shown.length ? first + 1 + " to " + (first + part.length) + " of " + shown.length : "none";
  byId("back").disabled = first === 0;
  byId("on").disabled = first + LINES >= shown.length;
}

function choose(index, move) {
  chosen = index;
  map.mark(index, move);
  showDetail(index);
  showList();
  if (move) byId("detail").focus();
}

function update() {
  shown = wanted();
  first = 0;
  const lost = shown.filter((index) => DATA.east[index] === null).length;
  byId("count").textContent = shown.length + " of " + N + " structures" + (lost ? ", " + lost + " without a position" : "");
  map.show(shown);
  showList();
  showCharts(shown);
}

function start() {
  byId("title").textContent = DATA.title;
  byId("about").textContent = DATA.about;
  byId("relief").textContent = DATA.relief_words;
  fill(byId("street"), DATA.texts.street, countBy(DATA.street, DATA.texts.street.length));
  fill(byId("method"), DATA.method_words, countBy(DATA.method, DATA.method_words.length));
  fill(byId("ready"), DATA.ready_words, countBy(DATA.ready, DATA.ready_words.length));
  fill(byId("flag"), DATA.texts.flag, countBy(DATA.flags, DATA.texts.flag.length));
  SHOW.forEach((look, severity) => {
    const item = make("li"), canvas = make("canvas", null, { width: 18, height: 18, class: "key" });
    const to = canvas.getContext("2d");
    to.fillStyle = look.colour; to.strokeStyle = "#fff";
    shape(to, severity, 9, 9, 7);
    item.append(canvas, " " + DATA.severity_words[severity] + ": " + look.words);
    byId("legend").append(item);
  });
  byId("run").replaceChildren(table(["what", "value"], DATA.run));
  map = new StreetMap(byId("map"), choose);
  byId("map").setAttribute("aria-label", "Map of " + N + " structures");
  showCounts();
  showBid();
  let waiting = 0;
  byId("search").addEventListener("input", () => { clearTimeout(waiting); waiting = setTimeout(update, N > 5000 ? 250 : 0); });
  for (const name of ["street", "method", "ready", "flag"]) byId(name).addEventListener("change", update);
  byId("filters").addEventListener("submit", (event) => event.preventDefault());
  byId("clear").addEventListener("click", () => { byId("filters").reset(); update(); });
  byId("back").addEventListener("click", () => { first = Math.max(0, first - LINES); showList(); });
  byId("on").addEventListener("click", () => { first += LINES; showList(); });
  byId("closer").addEventListener("click", () => map.zoom(1.5, map.width / 2, map.height / 2));
  byId("farther").addEventListener("click", () => map.zoom(1 / 1.5, map.width / 2, map.height / 2));
  byId("whole").addEventListener("click", () => map.all());
  update();
}

start();
