/* The map: a canvas in the structures' own plane, metres or feet, north up. Shapes tell the severity without colour. */
const SHOW = [
  { colour: "#1f5a63", words: "information" },
  { colour: "#8a4b00", words: "look at the flags" },
  { colour: "#7a1f5c", words: "not to be worked on as it stands" },
];
const MARKS = 4000;

function shape(to, severity, x, y, size) {
  to.beginPath();
  if (severity === 0) to.arc(x, y, size * 0.7, 0, 7);
  if (severity === 1) {
    to.moveTo(x, y - size); to.lineTo(x + size, y + size * 0.8); to.lineTo(x - size, y + size * 0.8); to.closePath();
  }
  if (severity === 2) to.rect(x - size * 0.85, y - size * 0.85, size * 1.7, size * 1.7);
  to.fill(); to.stroke();
  if (severity === 2) {
    to.beginPath(); to.moveTo(x - size * 0.5, y); to.lineTo(x + size * 0.5, y);
    to.save(); to.strokeStyle = "#fff"; to.lineWidth = 2; to.stroke(); to.restore();
  }
}

class StreetMap {
  constructor(canvas, choose) {
    this.canvas = canvas;
    this.to = canvas.getContext("2d");
    this.choose = choose;
    this.shown = [];
    this.chosen = -1;
    this.frame = 0;
    this.relief = null;
    this.touches = new Map();
    if (DATA.relief) {
      const image = new Image();
      image.onload = () => { this.relief = image; this.later(); };
      image.src = DATA.relief.image;
    }
    new ResizeObserver(() => this.fit()).observe(canvas);
    this.listen();
    this.fit();
    this.all();
  }

  fit() {
    const ratio = window.devicePixelRatio || 1;
    this.width = this.canvas.clientWidth || 300;
    this.height = this.canvas.clientHeight || 300;
    this.canvas.width = Math.round(this.width * ratio);
    this.canvas.height = Math.round(this.height * ratio);
    this.to.setTransform(ratio, 0, 0, ratio, 0, 0);
    this.later();
  }

  all() {
    const [west, south, east, north] = DATA.extent;
    const wide = Math.max(east - west, 20), high = Math.max(north - south, 20);
    this.scale = 0.9 * Math.min(this.width / wide, this.height / high);
    this.east = (west + east) / 2;
    this.north = (south + north) / 2;
    this.later();
  }

  x(east) { return this.width / 2 + (east - this.east) * this.scale; }
  y(north) { return this.height / 2 - (north - this.north) * this.scale; }

  show(indices) { this.shown = indices; this.later(); }

  mark(index, move) {
    this.chosen = index;
    const x = DATA.east[index];
    if (move && x !== null) {
      const away = Math.abs(this.x(x) - this.width / 2) > this.width * 0.45
        || Math.abs(this.y(DATA.north[index]) - this.height / 2) > this.height * 0.45;
      if (away) { this.east = x; this.north = DATA.north[index]; }
    }
    this.later();
  }

  zoom(times, x, y) {
    const east = this.east + (x - this.width / 2) / this.scale, north = this.north - (y - this.height / 2) / this.scale;
    this.scale = Math.min(Math.max(this.scale * times, 1e-4), 500);
    this.east = east - (x - this.width / 2) / this.scale;
    this.north = north + (y - this.height / 2) / this.scale;
    this.later();
  }

  pan(x, y) { this.east -= x / this.scale; this.north += y / this.scale; this.later(); }

  later() { if (!this.frame) this.frame = requestAnimationFrame(() => { this.frame = 0; this.draw(); }); }

  draw() {
    const to = this.to;
    to.clearRect(0, 0, this.width, this.height);
    if (this.relief) {
      const [west, south, east, north] = DATA.relief.bounds;
      to.drawImage(this.relief, this.x(west), this.y(north), (east - west) * this.scale, (north - south) * this.scale);
    }
    const inside = this.inside();
    if (inside.length > MARKS) this.dots(inside); else this.marks(inside);
    this.ring();
    this.bar();
  }

  inside() {
    const found = [], wide = 12;
    for (const index of this.shown) {
      const east = DATA.east[index];
      if (east === null) continue;
      const x = this.x(east), y = this.y(DATA.north[index]);
      if (x > -wide && y > -wide && x < this.width + wide && y < this.height + wide) found.push(index);
    }
    return found;
  }

  dots(inside) {
    SHOW.forEach((look, severity) => {
      this.to.fillStyle = look.colour;
      const size = 2 + severity;
      for (const index of inside) {
        if (DATA.severity[index] !== severity) continue;
        this.to.fillRect(this.x(DATA.east[index]) - size / 2, this.y(DATA.north[index]) - size / 2, size, size);
      }
    });
  }

  marks(inside) {
    const to = this.to, near = inside.length <= 60;
    to.strokeStyle = "#fff";
    to.lineWidth = 1;
    SHOW.forEach((look, severity) => {
      to.fillStyle = look.colour;
      for (const index of inside) {
        if (DATA.severity[index] === severity) shape(to, severity, this.x(DATA.east[index]), this.y(DATA.north[index]), 7);
      }
    });
    if (near) this.names(inside);
  }

  names(inside) {
    const to = this.to, taken = [];
    to.font = "12px system-ui, sans-serif";
    to.lineWidth = 3;
    for (const index of inside) {
      const words = nameOf(index).slice(0, 24), x = this.x(DATA.east[index]) + 9, y = this.y(DATA.north[index]) + 4;
      const box = [x, y - 12, x + to.measureText(words).width, y + 3];
      if (taken.some((other) => box[0] < other[2] && other[0] < box[2] && box[1] < other[3] && other[1] < box[3])) continue;
      taken.push(box);
      to.strokeStyle = "#fff"; to.strokeText(words, x, y);
      to.fillStyle = "#15202b"; to.fillText(words, x, y);
    }
  }

  ring() {
    if (this.chosen < 0 || DATA.east[this.chosen] === null) return;
    const to = this.to;
    to.beginPath();
    to.arc(this.x(DATA.east[this.chosen]), this.y(DATA.north[this.chosen]), 13, 0, 7);
    to.strokeStyle = "#fff"; to.lineWidth = 5; to.stroke();
    to.strokeStyle = "#15202b"; to.lineWidth = 2.5; to.stroke();
  }

  bar() {
    const unit = DATA.map_unit;
    if (!unit) return;
    const most = this.width * 0.25 / this.scale;
    const ten = 10 ** Math.floor(Math.log10(most));
    const size = [5, 2, 1].map((k) => k * ten).find((value) => value <= most) || ten;
    const to = this.to, y = this.height - 14;
    to.fillStyle = "rgba(255,255,255,.85)"; to.fillRect(6, y - 18, size * this.scale + 12, 28);
    to.strokeStyle = "#15202b"; to.lineWidth = 3;
    to.beginPath(); to.moveTo(12, y); to.lineTo(12 + size * this.scale, y); to.stroke();
    to.fillStyle = "#15202b"; to.font = "12px system-ui, sans-serif";
    to.fillText(size + " " + unit, 12, y - 6);
  }

  nearest(x, y) {
    let best = -1, least = 15 * 15;
    for (const index of this.shown) {
      if (DATA.east[index] === null) continue;
      const off = (this.x(DATA.east[index]) - x) ** 2 + (this.y(DATA.north[index]) - y) ** 2;
      if (off < least) { least = off; best = index; }
    }
    return best;
  }

  listen() {
    const canvas = this.canvas;
    canvas.addEventListener("wheel", (event) => {
      event.preventDefault();
      this.zoom(event.deltaY < 0 ? 1.25 : 0.8, event.offsetX, event.offsetY);
    }, { passive: false });
    canvas.addEventListener("pointerdown", (event) => {
      canvas.setPointerCapture(event.pointerId);
      this.touches.set(event.pointerId, [event.offsetX, event.offsetY]);
      this.moved = 0;
    });
    canvas.addEventListener("pointermove", (event) => this.dragged(event));
    canvas.addEventListener("pointerup", (event) => {
      this.touches.delete(event.pointerId);
      if (this.moved > 5) return;
      const found = this.nearest(event.offsetX, event.offsetY);
      if (found >= 0) this.choose(found, false);
    });
    canvas.addEventListener("pointercancel", (event) => this.touches.delete(event.pointerId));
    canvas.addEventListener("keydown", (event) => this.pressed(event));
  }

  dragged(event) {
    const before = this.touches.get(event.pointerId);
    if (!before) return;
    const x = event.offsetX - before[0], y = event.offsetY - before[1];
    this.moved += Math.abs(x) + Math.abs(y);
    if (this.touches.size === 2) {
      const other = [...this.touches].find(([id]) => id !== event.pointerId)[1];
      const was = Math.hypot(before[0] - other[0], before[1] - other[1]) || 1;
      const is = Math.hypot(event.offsetX - other[0], event.offsetY - other[1]);
      this.zoom(is / was, other[0], other[1]);
    } else if (this.moved > 5) this.pan(x, y);
    this.touches.set(event.pointerId, [event.offsetX, event.offsetY]);
  }

  pressed(event) {
    const moves = { ArrowLeft: [60, 0], ArrowRight: [-60, 0], ArrowUp: [0, 60], ArrowDown: [0, -60] };
    if (moves[event.key]) this.pan(...moves[event.key]);
    else if (event.key === "+" || event.key === "=") this.zoom(1.25, this.width / 2, this.height / 2);
    else if (event.key === "-") this.zoom(0.8, this.width / 2, this.height / 2);
    else return;
    event.preventDefault();
  }
}
