/* One structure: what to do, why, its figures, and its chimney in section and unrolled. */
function drawSection(index) {
  const parts = DATA.stacks[DATA.stack[index]] || [], low = DATA.chimney_min[index], high = DATA.chimney_max[index];
  const centre = DATA.chimney[index];
  if (centre === null || low === null) return null;
  const total = Math.max(high, 1), scale = 130 / total, base = 165, wall = [70, 90, 190, 210];
  const picture = draw("svg", { viewBox: "0 0 300 190", role: "img" }); // the slope is shared by all parts in the drawing
  picture.append(draw("title", {}, "Chimney in section along its slope: " + length(low) + " to " + length(high)));
  const top = (x) => base - scale * (low + ((x - wall[0]) / (wall[3] - wall[0])) * (high - low));
  picture.append(draw("rect", { x: 40, y: base, width: 200, height: 12, fill: "none", stroke: "#15202b" }));
  for (const [left, right] of [[wall[0], wall[1]], [wall[2], wall[3]]]) {
    const sum = parts.reduce((all, part) => all + part[1], 0) || centre;
    const height = (x, share) => base - share * (base - top(x));
    let below = 0;
    for (const [name, size] of parts.length ? parts : [["", sum]]) {
      const above = below + size / sum;
      const fill = name === "joint" ? "#15202b" : name === "" ? "#dfe4e8" : "#c3cad1";
      const points = [[left, below], [right, below], [right, above], [left, above]].map(([x, share]) => [x, height(x, share)]);
      picture.append(draw("polygon", { points: points.join(" "), fill, stroke: "#15202b" }));
      below = above;
    }
  }
  picture.append(draw("line", { x1: 50, x2: 230, y1: top(50), y2: top(230), stroke: "#15202b", "stroke-width": 2.5 }));
  picture.append(draw("text", { x: 60, y: base - scale * low - 8, "text-anchor": "end" }, length(low)));
  picture.append(draw("text", { x: 222, y: base - scale * high - 2 }, length(high)));
  picture.append(draw("text", { x: 140, y: base - 30, "text-anchor": "middle" }, length(centre)));
  picture.append(draw("text", { x: 40, y: 187 }, "bearing"));
  return picture;
}

function drawUnrolled(index) {
  const centre = DATA.chimney[index], swing = (DATA.chimney_max[index] - DATA.chimney_min[index]) / 2;
  const side = DATA.long_side[index], mark = DATA.mark[index];
  if (centre === null || side === null || mark === null || !DATA.round[index]) return null;
  const picture = draw("svg", { viewBox: "0 0 300 120", role: "img" });
  picture.append(draw("title", {}, "Top of the chimney round its circumference, seen from outside"));
  const height = (turn) => centre + swing * Math.cos(((turn - (side - mark)) * Math.PI) / 180);
  const y = (mm) => 60 - ((mm - centre) / Math.max(swing, 1)) * 30;
  const line = Array.from({ length: 73 }, (_, k) => [280 - (260 * k) / 72, y(height(k * 5))]);
  picture.append(draw("polyline", { points: line.join(" "), fill: "none", stroke: "#15202b", "stroke-width": 2 }));
  ["12", "3", "6", "9", "12"].forEach((clock, quarter) => {
    const x = 280 - 65 * quarter;
    picture.append(draw("line", { x1: x, x2: x, y1: 20, y2: 100, stroke: "#8a939b", "stroke-dasharray": "2 3" }));
    picture.append(draw("text", { x, y: 115, "text-anchor": "middle" }, clock));
    picture.append(draw("text", { x, y: 14, "text-anchor": "middle" }, length(height(quarter * 90))));
  });
  return picture;
}

function pictured(words, picture) {
  const made = make("figure");
  made.append(picture, make("figcaption", words));
  return made;
}

const side = (gap) => (gap === null || length(gap).startsWith("0 ") ? "" : gap < 0 ? " LOW" : " PROUD");

function showDetail(index) {
  const box = byId("detail"), flags = DATA.flags[index].map((code) => DATA.texts.flag[code]);
  const head = make("h2", nameOf(index), { id: "detailhead" });
  const facts = make("dl");
  const add = (name, value) => facts.append(make("dt", name), make("dd", value));
  add("street", text("street", DATA.street[index]) || "not stated");
  add("kind", text("kind", DATA.kind[index]));
  add("casting", text("casting", DATA.casting[index]) || "not stated");
  add("row of the input", String(DATA.row[index]));
  add("figures are", DATA.ready_words[DATA.ready[index]]);
  add("raise", length(DATA.raise[index]));
  add("gap today", length(DATA.gap[index] === null ? null : Math.abs(DATA.gap[index])) + side(DATA.gap[index]));
  add("slope of the cover", number(DATA.slope[index], 2, " %"));
  add("chimney", length(DATA.chimney[index]));
  add("least, greatest", length(DATA.chimney_min[index]) + ", " + length(DATA.chimney_max[index]));
  add("change of the chimney", length(DATA.change[index]));
  add("lower before milling", length(DATA.lower[index]));
  add("accuracy, 95 %", DATA.raise_sd[index] === null ? "–" : "± " + length(1.96 * DATA.raise_sd[index]));
  const parts = DATA.stacks[DATA.stack[index]] || [];
  if (parts.length) add("from the bearing up", parts.map(([name, size]) => name + " " + length(size)).join(", "));
  const reasons = make("ul", null, { class: "reasons" });
  const told = DATA.reasons ? DATA.reasons[index].map((place) => DATA.texts.reason[place]) : flags;
  told.forEach((words) => reasons.append(make("li", words)));
  box.replaceChildren(head, make("p", text("remark", DATA.remark[index]), { class: "order" }), facts);
  const section = drawSection(index), unrolled = drawUnrolled(index);
  if (section) box.append(pictured("Chimney in section along its slope, its height to scale", section));
  if (unrolled) box.append(pictured("Its top unrolled, seen from outside; 12 = mark", unrolled));
  box.append(make("h3", "Why"), reasons);
}
