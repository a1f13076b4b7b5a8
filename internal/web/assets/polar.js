// The polar picture: mark at the top, rotor turning anticlockwise, whichever
// way angles are counted. Only the labels follow the convention.

const NS = "http://www.w3.org/2000/svg";
const R = 100; // radius of the outer ring in the picture's own units

export function el(name, attrs, text) {
  const e = document.createElementNS(NS, name);
  for (const k in attrs) e.setAttribute(k, attrs[k]);
  if (text !== undefined) e.textContent = text;
  return e;
}

// shape tells sensors apart without colour.
export function shape(i, s) {
  const poly = (...p) => "M" + p.map(([x, y]) => `${x * s} ${y * s}`).join("L") + "Z";
  switch (i % 6) {
    case 0: return `M${s} 0A${s} ${s} 0 1 1 ${-s} 0A${s} ${s} 0 1 1 ${s} 0Z`;
    case 1: return poly([-.9, -.9], [.9, -.9], [.9, .9], [-.9, .9]);
    case 2: return poly([0, -1.2], [1.15, .85], [-1.15, .85]);
    case 3: return poly([0, -1.3], [1.3, 0], [0, 1.3], [-1.3, 0]);
    case 4: return poly([0, 1.2], [1.15, -.85], [-1.15, -.85]);
    default: return poly([-1.3, -.6], [1.3, -.6], [1.3, .6], [-1.3, .6]);
  }
}

export const letter = (i) => String.fromCharCode(65 + i % 26);

// key is the small sign that stands beside a sensor's name.
export function key(i) {
  const s = el("svg", { class: `key s${i % 6}`, viewBox: "-12 -12 24 24", "aria-hidden": "true" });
  s.append(el("path", { class: "tip", d: shape(i, 9) }), el("text", { y: i % 6 === 2 ? 2 : .5 }, letter(i)));
  return s;
}

// nice is the least round number that is >= v.
export function nice(v) {
  const p = 10 ** Math.floor(Math.log10(v));
  for (const m of [1, 1.5, 2, 2.5, 3, 4, 5, 6, 8, 10]) if (m * p >= v * .999999) return m * p;
}

const at = (deg, r) => { const a = deg * Math.PI / 180; return [-Math.sin(a) * r, -Math.cos(a) * r]; };

export class Polar {
  constructor(svg, note) {
    this.svg = svg;
    this.note = note;
    this.against = svg.dataset.against === "true";
    this.full = 0;
    this.back = el("g", {});
    this.front = el("g", {});
    svg.append(this.back, this.front);
    this.frame();
  }

  frame() {
    const g = el("g", {});
    for (let d = 0; d < 360; d += 30) {
      const [x, y] = at(d, R);
      g.append(el("line", { class: "spoke", x1: 0, y1: 0, x2: x, y2: y }));
      const [tx, ty] = at(d, R + 12);
      const shown = this.against ? (360 - d) % 360 : d;
      g.append(el("text", { x: tx, y: ty }, d ? `${shown}°` : `${this.svg.dataset.mark} 0°`));
    }
    for (let i = 1; i <= 5; i++) g.append(el("circle", { class: i === 5 ? "ring outer" : "ring", r: R * i / 5 }));
    const [nx, ny] = at(0, R);
    g.append(el("path", { class: "notch", d: `M${nx} ${ny - 1}l-5 8h10z` }));
    const [ax, ay] = at(48, R + 23), [bx, by] = at(72, R + 23);
    g.append(el("path", { class: "turn", d: `M${ax} ${ay}A${R + 23} ${R + 23} 0 0 0 ${bx} ${by}` }));
    g.append(el("path", { class: "arrow", d: "M0 0l-4 -8h8z", transform: `translate(${bx} ${by + 5}) rotate(18)` }));
    this.back.replaceChildren(g);
    this.scaleText = el("text", { class: "scale" });
    this.back.append(this.scaleText);
  }

  // rescale grows at once and shrinks only when the picture has become small,
  // so that rings do not dance.
  rescale(need) {
    if (!(need > 0)) return;
    if (need > this.full || need < this.full * .55) this.full = nice(need / 5 * 1.05) * 5;
  }

  // draw shows channels (with vector, tolerance), their paths and the readings on
  // them; picked is an index or -1 for all.
  draw(all, paths, picked, stops) {
    // sensors of another unit cannot share the rings; picked alone they can
    const unit = (all[Math.max(picked, 0)] || { amplitude: {} }).amplitude.unit;
    const channels = all.map((c) => c.amplitude.unit === unit ? c : { ...c, vector: null });
    if (picked !== this.picked) this.full = 0;
    this.picked = picked;
    let need = 0;
    channels.forEach((c, i) => {
      if (!c.vector || (picked >= 0 && i !== picked)) return;
      const far = Math.hypot(c.vector.x, c.vector.y); // a region larger than its vector may run out of the picture
      need = Math.max(need, far + (c.vector.region ? Math.min(c.vector.major, far * .3) : 0));
      if (i === picked && c.tolerance) need = Math.max(need, c.tolerance);
    });
    this.rescale(need);
    this.front.replaceChildren();
    if (!this.full || !channels.some((c) => c.vector)) {
      this.front.append(el("text", { class: "empty", y: 40 }, this.svg.dataset.empty));
      this.note.textContent = "";
      return;
    }
    const k = R / this.full;
    const order = channels.map((_, i) => i).sort((a, b) => (a === picked) - (b === picked));
    for (const i of order) this.one(channels[i], paths[i], i, k, picked, stops[i]);
    this.note.textContent = this.note.dataset.text.replace("%s", `${+(this.full / 5).toPrecision(3)} ${unit}`);
  }

  one(c, path, i, k, picked, stops) {
    if (!c.vector) return;
    const v = c.vector, g = el("g", { class: `s${i % 6}${picked >= 0 && i !== picked ? " dim" : ""}` });
    const x = -v.y * k, y = -v.x * k, far = Math.hypot(x, y);
    if (far > R * 1.12) { // outside the picture while another sensor is picked
      return;
    }
    if (path && path.length > 1 && (picked < 0 || i === picked)) {
      const d = path.filter(([a, b]) => Math.hypot(a, b) * k < R * 1.1).map(([a, b]) => `${(-b * k).toFixed(1)} ${(-a * k).toFixed(1)}`).join("L");
      if (d) g.append(el("path", { class: "path", d: "M" + d }));
    }
    if (picked < 0 || i === picked) for (const r of stops || []) {
      const px = -r.y * k, py = -r.x * k;
      if (Math.hypot(px, py) > R * 1.05) continue;
      g.append(el("circle", { class: "stop", cx: px, cy: py, r: 1.6 }));
      if (i === picked) g.append(el("text", { class: "stopname", x: px + 5, y: py - 4 }, r.n));
    }
    if (i === picked && c.tolerance) g.append(el("circle", { class: "limit", r: c.tolerance * k }));
    g.append(el("line", { class: "shaft", x1: 0, y1: 0, x2: x, y2: y }));
    if (v.region) {
      // the major axis turned by v.angle from the mark, with rotation
      g.append(el("ellipse", { class: "region", rx: Math.min(v.minor * k, R), ry: Math.min(v.major * k, R), transform: `translate(${x} ${y}) rotate(${-v.angle})` }));
    }
    const tip = el("g", { transform: `translate(${x} ${y})` });
    tip.append(el("path", { class: "tip", d: shape(i, 4) }), el("text", { class: "name", x: far > 8 ? x / far * 11 : 0, y: far > 8 ? y / far * 11 : -10 }, letter(i)));
    g.append(tip);
    this.front.append(g);
  }
}
