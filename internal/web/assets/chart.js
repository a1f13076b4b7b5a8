// A line chart on a canvas with a cursor that finger, mouse and keys can move.

const PAD = { left: 52, right: 12, top: 38, bottom: 34 };

// steps gives round ticks between lo and hi, about n of them.
export function steps(lo, hi, n) {
  const raw = (hi - lo) / Math.max(n, 1);
  if (!(raw > 0) || !isFinite(raw)) return [];
  const p = 10 ** Math.floor(Math.log10(raw));
  const step = [1, 2, 2.5, 5, 10].map((m) => m * p).find((s) => s >= raw * .999);
  const out = [];
  for (let i = Math.ceil(lo / step - 1e-9); i * step <= hi + step * 1e-9; i++) out.push(+(i * step).toPrecision(12));
  return out;
}

const tick = (v) => Math.abs(v) >= 1e5 ? v.toExponential(0) : String(+v.toPrecision(6));

export class Chart {
  // onCursor(i) is told the index of the point under the cursor.
  constructor(canvas, onCursor) {
    this.canvas = canvas;
    this.onCursor = onCursor || (() => {});
    this.model = null;
    this.cursor = -1;
    this.visible = false;
    new ResizeObserver(() => this.draw()).observe(canvas);
    new IntersectionObserver((es) => { this.visible = es.some((e) => e.isIntersecting); if (this.visible) this.draw(); }, { rootMargin: "100px" }).observe(canvas);
    const move = (e) => { if (e.type === "pointerdown" || e.buttons || e.pointerType === "mouse") this.pick(e.offsetX); };
    canvas.addEventListener("pointerdown", move);
    canvas.addEventListener("pointermove", move);
    canvas.addEventListener("keydown", (e) => this.keydown(e));
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => this.draw());
  }

  // set takes {x0, dx, n, lo, hi, series: [{y, color, dash}], marks, xLabel,
  // yLabel, log, zero, stops: [x...]}; x of point i is x0 + i*dx, or xs[i].
  set(model) {
    this.model = model;
    if (model && this.cursor >= model.n) this.cursor = -1;
    this.draw();
  }

  x(i) { const m = this.model; return m.xs ? m.xs[i] : m.x0 + i * m.dx; }

  index(x) {
    const m = this.model;
    if (!m.xs) return Math.min(Math.max(Math.round((x - m.x0) / m.dx), 0), m.n - 1);
    let best = 0;
    for (let i = 1; i < m.n; i++) if (Math.abs(m.xs[i] - x) < Math.abs(m.xs[best] - x)) best = i;
    return best;
  }

  pick(px) {
    const m = this.model;
    if (!m || !m.n) return;
    const w = this.canvas.clientWidth - PAD.left - PAD.right;
    let x = m.lo + (px - PAD.left) / w * (m.hi - m.lo);
    const near = 9 / w * (m.hi - m.lo); // a thumb is wide: a stop nearby draws the cursor to it
    const stop = (m.stops || []).filter((s) => Math.abs(s - x) < near).sort((a, b) => Math.abs(a - x) - Math.abs(b - x))[0];
    if (stop !== undefined) x = stop;
    this.move(this.index(x));
  }

  move(i) {
    const m = this.model;
    if (!m || !m.n) return;
    const lo = this.index(m.lo), hi = this.index(m.hi);
    this.cursor = Math.min(Math.max(i, lo), hi);
    this.draw();
    this.onCursor(this.cursor);
  }

  // jump goes to the next stop in direction d.
  jump(d) {
    const m = this.model;
    if (!m || !m.stops) return;
    const here = this.cursor < 0 ? m.lo - m.dx : this.x(this.cursor);
    const s = m.stops.filter((s) => s >= m.lo && s <= m.hi && (s - here) * d > (m.dx || 0) / 2).sort((a, b) => (a - b) * d)[0];
    if (s !== undefined) this.move(this.index(s));
  }

  keydown(e) {
    const m = this.model, i = Math.max(this.cursor, 0);
    if (!m) return;
    const act = {
      ArrowLeft: () => this.move(i - 1), ArrowRight: () => this.move(i + 1),
      PageUp: () => m.stops ? this.jump(-1) : this.move(i - 10), PageDown: () => m.stops ? this.jump(1) : this.move(i + 10),
      Home: () => this.move(0), End: () => this.move(m.n - 1),
    }[e.key];
    if (act) { act(); e.preventDefault(); }
  }

  draw() {
    const c = this.canvas, w = c.clientWidth, h = c.clientHeight;
    if (!w || !h) return;
    const dpr = devicePixelRatio || 1;
    if (c.width !== Math.round(w * dpr) || c.height !== Math.round(h * dpr)) { c.width = Math.round(w * dpr); c.height = Math.round(h * dpr); }
    const g = c.getContext("2d"), css = getComputedStyle(c), col = (n) => css.getPropertyValue(n).trim();
    g.setTransform(dpr, 0, 0, dpr, 0, 0);
    g.clearRect(0, 0, w, h);
    g.font = `13px ${css.fontFamily}`;
    const m = this.model;
    if (!m || !m.n) {
      g.fillStyle = col("--soft"); g.textAlign = "center";
      g.fillText(c.dataset.empty, w / 2, h / 2);
      return;
    }
    const box = { x: PAD.left, y: PAD.top, w: w - PAD.left - PAD.right, h: h - PAD.top - PAD.bottom };
    const range = this.range(m);
    const X = (v) => box.x + (v - m.lo) / (m.hi - m.lo) * box.w;
    const Y = (v) => box.y + box.h - (m.log ? (Math.log10(Math.max(v, range.lo)) - Math.log10(range.lo)) / (Math.log10(range.hi) - Math.log10(range.lo)) : (v - range.lo) / (range.hi - range.lo)) * box.h;
    this.grid(g, m, box, range, X, Y, col);
    g.save(); g.beginPath(); g.rect(box.x, box.y - 1, box.w, box.h + 2); g.clip();
    for (const mk of m.marks || []) this.mark(g, mk, box, X, col);
    for (const s of m.series) this.line(g, m, s, box, X, Y, col);
    g.restore();
    for (const mk of m.marks || []) if (mk.label && mk.x >= m.lo && mk.x <= m.hi) { g.fillStyle = col("--ink"); g.textAlign = "center"; g.fillText(mk.label, X(mk.x), box.y - 7); }
    if (this.cursor >= 0 && this.cursor < m.n) this.cross(g, m, box, X, Y, col);
  }

  range(m) {
    let lo = Infinity, hi = -Infinity;
    const a = this.index(m.lo), b = this.index(m.hi);
    for (const s of m.series) for (let i = a; i <= b; i++) { const v = s.y[i]; if (v === null || v === undefined) continue; if (v < lo) lo = v; if (v > hi) hi = v; }
    if (!isFinite(lo)) return { lo: 0, hi: 1 };
    if (m.yLo !== undefined) return { lo: m.yLo, hi: m.yHi };
    if (m.log) { const top = hi > 0 ? hi * 1.5 : 1; return { lo: top / 1e4, hi: top }; }
    if (m.zero) { lo = Math.min(lo, 0); }
    const room = (hi - lo || Math.abs(hi) || 1) * .08;
    return { lo: m.zero && lo === 0 ? 0 : lo - room, hi: hi + room };
  }

  grid(g, m, box, r, X, Y, col) {
    g.strokeStyle = col("--faint"); g.fillStyle = col("--ink"); g.lineWidth = 1;
    g.textAlign = "center"; g.textBaseline = "alphabetic";
    for (const v of steps(m.lo, m.hi, box.w / 70)) {
      g.beginPath(); g.moveTo(X(v), box.y); g.lineTo(X(v), box.y + box.h + 4); g.stroke();
      if (X(v) < box.x + box.w - 34) g.fillText(tick(v), X(v), box.y + box.h + 18);
    }
    g.textAlign = "right"; g.fillText(m.xLabel, box.x + box.w, box.y + box.h + 18);
    const ys = m.log ? [0, 1, 2, 3, 4].map((d) => 10 ** (Math.ceil(Math.log10(r.lo)) + d)).filter((v) => v <= r.hi) : steps(r.lo, r.hi, box.h / 32);
    for (const v of ys) {
      g.beginPath(); g.moveTo(box.x - 4, Y(v)); g.lineTo(box.x + box.w, Y(v)); g.stroke();
      g.fillText(tick(v), box.x - 7, Y(v) + 4);
    }
    g.textAlign = "left"; g.fillText(m.yLabel, 2, 12);
    g.strokeStyle = col("--rule"); g.lineWidth = 2;
    g.beginPath(); g.moveTo(box.x, box.y); g.lineTo(box.x, box.y + box.h); g.lineTo(box.x + box.w, box.y + box.h); g.stroke();
  }

  mark(g, mk, box, X, col) {
    if (mk.x < this.model.lo || mk.x > this.model.hi) return;
    g.strokeStyle = col("--soft"); g.lineWidth = 1.5; g.setLineDash(mk.label ? [2, 3] : [6, 5]);
    g.beginPath(); g.moveTo(X(mk.x), box.y); g.lineTo(X(mk.x), box.y + box.h); g.stroke(); g.setLineDash([]);
  }

  // line draws at most two points a pixel column: its least and its greatest.
  line(g, m, s, box, X, Y, col) {
    g.strokeStyle = col(s.color); g.lineWidth = 2; g.lineJoin = "round"; g.setLineDash(s.dash || []);
    g.beginPath();
    let pen = false, px = -1, min = 0, max = 0, first = 0, last = 0;
    const flush = () => { if (px < 0) return; if (pen) g.lineTo(px, Y(first)); else g.moveTo(px, Y(first)); g.lineTo(px, Y(min)); g.lineTo(px, Y(max)); g.lineTo(px, Y(last)); pen = true; px = -1; };
    const a = Math.max(this.index(m.lo) - 1, 0), b = Math.min(this.index(m.hi) + 1, m.n - 1);
    for (let i = a; i <= b; i++) {
      const v = s.y[i];
      if (v === null || v === undefined) { flush(); pen = false; continue; }
      const x = Math.round(X(this.x(i)));
      if (x !== px) { flush(); px = x; min = max = first = v; } else { if (v < min) min = v; if (v > max) max = v; }
      last = v;
    }
    flush();
    g.stroke(); g.setLineDash([]);
  }

  cross(g, m, box, X, Y, col) {
    const x = X(this.x(this.cursor));
    if (x < box.x - 1 || x > box.x + box.w + 1) return;
    const tops = m.series.map((s) => s.y[this.cursor]).filter((v) => v !== null && v !== undefined).map(Y);
    g.strokeStyle = col("--ink"); g.lineWidth = 1.5; // down to the value and no further: the peak itself stays in sight
    g.beginPath(); g.moveTo(x, box.y); g.lineTo(x, tops.length ? Math.max(...tops) : box.y + box.h); g.stroke();
    for (const s of m.series) {
      const v = s.y[this.cursor];
      if (v === null || v === undefined) continue;
      g.fillStyle = col("--paper"); g.strokeStyle = col(s.color); g.lineWidth = 2.5;
      g.beginPath(); g.arc(x, Y(v), 4.5, 0, 7); g.fill(); g.stroke();
    }
  }
}
