// The live page: takes states from the event stream, writes them where they
// belong, and fetches the pictures that are in sight. It computes nothing; the
// numbers come written for people.

const tag = new URL(import.meta.url).search;
const { Polar, key, letter } = await import("./polar.js" + tag);
const { Chart } = await import("./chart.js" + tag);

const api = document.body.dataset.api;
const $ = (id) => document.getElementById(id);
const sig = (v, n) => v === null || v === undefined ? "–" : String(+v.toPrecision(n));
const DASH = [[], [9, 4], [3, 3], [12, 3, 3, 3], [6, 2, 2, 2, 2, 2], [1, 3]];

let state = null, names = [], picked = -1, heard = performance.now();

// ---- the stream ----

function listen() {
  const es = new EventSource(`${api}/events`);
  es.addEventListener("state", (e) => { alive(); show(JSON.parse(e.data)); });
  es.addEventListener("beat", alive);
  es.onerror = () => { if (es.readyState === EventSource.CLOSED) setTimeout(listen, 3000); };
}
function alive() { heard = performance.now(); $("lost").hidden = true; }
setInterval(() => { if (performance.now() - heard > 5000) $("lost").hidden = false; }, 1000);

let frame = 0;
function show(s) {
  const before = state;
  state = s;
  if (!frame) frame = requestAnimationFrame(() => { frame = 0; paint(); });
  if (before) announce(before, s);
}

function paint() {
  const s = state;
  for (const e of document.querySelectorAll("[data-f]")) {
    const v = e.dataset.f.split(".").reduce((o, k) => o && o[k], s);
    write(e, v === undefined || v === null ? "" : String(v));
  }
  for (const t of document.querySelectorAll("[data-tile]")) sentence(t, s[t.dataset.tile]);
  $("settle").value = s.settle.fraction;
  $("scatter").hidden = s.scatter.value === null;
  if (s.channels.map((c) => c.name).join("\n") !== names.join("\n")) rename(s.channels);
  sensors(s.channels);
  table($("counts"), s.counts);
  table($("orders"), s.channels.flatMap((c) => (c.orders || []).map((o) => ({ name: `${c.name} ${o.name}`, value: o.value }))));
  polar.draw(s.channels, paths(s.channels), picked, stops(s.channels));
}

const write = (e, text) => { if (e.textContent !== text) e.textContent = text; };

function sentence(tile, s) {
  if (tile.dataset.level !== s.level) tile.dataset.level = s.level;
  write(tile.querySelector("[data-word]"), s.word);
  const box = tile.querySelector("[data-lines]"), lines = s.lines || [];
  if (box.dataset.was === lines.join("\n")) return;
  box.dataset.was = lines.join("\n");
  box.replaceChildren(...lines.map((l) => { const p = document.createElement("p"); p.textContent = l; return p; }));
}

function table(body, lines) {
  lines.forEach((l, i) => {
    let row = body.rows[i];
    if (!row) { row = body.insertRow(); const th = document.createElement("th"); th.scope = "row"; row.append(th); row.insertCell().className = "num"; }
    write(row.cells[0], l.name); write(row.cells[1], l.value);
  });
  while (body.rows.length > lines.length) body.deleteRow(-1);
}

// announce tells a screen reader about changes of state, never about numbers.
function announce(a, b) {
  for (const k of ["link", "motion", "trust"]) {
    if (a[k].word !== b[k].word) { $("aloud").textContent = [b[k].word, ...(b[k].lines || [])].join(". "); return; }
  }
}
$("read").addEventListener("click", () => {
  if (!state) return;
  const part = (a) => `${a.text}${a.error ? " ± " + a.error : ""} ${a.unit || ""}`;
  $("aloud").textContent = [`${state.motion.word}, ${part(state.speed)}`,
    ...state.channels.map((c) => `${c.name}: ${part(c.amplitude)}, ${part(c.phase)}`), state.trust.word].join(". ") + ".";
});

// ---- sensors ----

function rename(channels) {
  names = channels.map((c) => c.name);
  if (picked >= names.length) picked = -1;
  const pick = $("pick");
  const button = (i, label) => {
    const b = document.createElement("button");
    b.type = "button"; b.dataset.i = i;
    if (i >= 0) b.append(key(i));
    b.append(label);
    b.addEventListener("click", () => choose(i));
    return b;
  };
  pick.replaceChildren(button(-1, pick.dataset.all), ...names.map((n, i) => button(i, n)));
  for (const sel of document.querySelectorAll("select[data-sensor]")) {
    sel.replaceChildren(...names.map((n, i) => new Option(`${letter(i)} ${n}`, i)));
    sel.onchange = () => choose(+sel.value);
  }
  const body = $("sensors");
  body.replaceChildren();
  channels.forEach((c, i) => {
    const row = body.insertRow(), th = document.createElement("th");
    th.scope = "row";
    th.append(key(i), c.name);
    if (c.direction) { const s = document.createElement("small"); s.textContent = c.direction; th.append(s); }
    row.append(th);
    for (let k = 0; k < 3; k++) row.insertCell().innerHTML = '<span class="num"></span> <span class="err"></span>';
    const sc = document.createElement("small");
    sc.className = "scatter"; sc.hidden = true;
    row.cells[2].append(sc);
    const z = document.createElement("span");
    z.className = "zone"; z.hidden = true;
    row.cells[3].append(z);
  });
  choose(picked);
}

function choose(i) {
  picked = i;
  for (const b of $("pick").children) b.setAttribute("aria-pressed", String(+b.dataset.i === i));
  for (const sel of document.querySelectorAll("select[data-sensor]")) sel.value = String(Math.max(i, 0));
  got.spectrum = got.waveform = 0;
  if (state && names.length) { paint(); trendChart(); pull(); }
}

function sensors(channels) {
  const first = channels[0];
  channels.forEach((c, i) => {
    const row = $("sensors").rows[i];
    [c.amplitude, c.phase, c.overall].forEach((a, k) => {
      const [num, err] = row.cells[k + 1].children;
      const own = k !== 1 && a.unit !== (k ? first.overall : first.amplitude).unit ? ` ${a.unit}` : "";
      write(num, a.text); num.classList.toggle("long", a.text.length > 6);
      write(err, (a.error ? `± ${a.error}` : "") + (a.value === null ? "" : own));
    });
    const sc = row.cells[2].lastElementChild;
    sc.hidden = c.scatter.value === null;
    write(sc, `${$("sensors").dataset.scatter} ${c.scatter.text}`);
    const z = row.cells[3].lastElementChild;
    z.hidden = !c.zone;
    if (c.zone) { z.dataset.zone = c.zone; write(z, c.zone); z.setAttribute("role", "img"); z.setAttribute("aria-label", `${$("sensors").dataset.zone} ${c.zone}`); }
  });
  if (first) { write(document.querySelector("[data-unit]"), first.amplitude.unit); write(document.querySelector("[data-level-unit]"), first.overall.unit); }
}

const polar = new Polar($("polar"), $("rings"));

// ---- pictures: fetched when new and in sight, one request at a time ----

const got = { spectrum: 0, waveform: 0, busy: false };
const channelName = () => names[Math.max(picked, 0)];
const fetchJSON = async (path) => { const r = await fetch(api + path); if (r.status !== 200) throw new Error(r.status); return r.json(); };

async function pull() {
  if (got.busy || !state || !names.length || document.hidden) return;
  got.busy = true;
  const p = state.pictures;
  try {
    // without a link there is no picture, and an old one must not pass for a new one
    if (!p.spectrum && got.spectrum) { got.spectrum = 0; spec = null; spectrum.set(null); readSpectrum(-1); }
    if (!p.waveform && got.waveform) { got.waveform = 0; wave = null; waveform.set(null); $("waveform-read").textContent = ""; }
    const q = `?channel=${encodeURIComponent(channelName())}`;
    if (spectrum.visible && p.spectrum && p.spectrum !== got.spectrum) { got.spectrum = p.spectrum; spectrumChart(await fetchJSON("/spectrum" + q)); }
    if (waveform.visible && p.waveform && p.waveform !== got.waveform) { got.waveform = p.waveform; waveformChart(await fetchJSON("/waveform" + q)); }
  } catch { /* the stream says what is wrong; the next round tries again */ } finally { got.busy = false; }
}
setInterval(pull, 250);

// ---- spectrum ----

let spec = null;
const axis = () => spec && (spec.axes.find((a) => a.id === $("axis").value) || spec.axes[0]);
const spectrum = new Chart($("spectrum"), readSpectrum);

function spectrumChart(s) {
  const fresh = !spec || spec.channel !== s.channel;
  spec = s;
  for (const o of $("axis").options) o.disabled = !s.axes.some((a) => a.id === o.value);
  if (!s.axes.some((a) => a.id === $("axis").value)) $("axis").value = "hz";
  spans();
  const a = axis(), f = a.per_hz, hi = +$("span").value * f;
  spectrum.set({
    x0: 0, dx: s.step_hz * f, n: s.lines.length, lo: 0, hi, log: $("log").checked, zero: true,
    series: [{ y: s.lines, color: `--s${Math.max(picked, 0) % 6}` }],
    stops: s.peaks.map((p) => p.hz * f), marks: labels(s.peaks, f, hi),
    xLabel: a.label, yLabel: s.unit,
  });
  $("spectrum-note").textContent = s.note;
  peaks(s, a);
  if (fresh && spectrum.cursor < 0) spectrum.move(spectrum.index((s.peaks.length ? s.peaks[0].hz : s.speed_hz) * f));
  else readSpectrum(spectrum.cursor);
}

// labels keeps the names apart: the highest peak wins its place.
function labels(peaks, f, hi) {
  const out = [], room = hi / Math.max($("spectrum").clientWidth - 64, 1) * 30;
  for (const p of [...peaks].sort((a, b) => b.level - a.level)) {
    if (p.short && p.hz * f <= hi && out.every((o) => Math.abs(o.x - p.hz * f) > room)) out.push({ x: p.hz * f, label: p.short });
  }
  return out;
}

function spans() {
  const sel = $("span"), a = axis(), top = spec.step_hz * (spec.lines.length - 1);
  const list = [20, 50, 100, 200, 500, 1000, 2000, 5000].filter((v) => v < top * .95).concat(top);
  const was = sel.dataset.for, now = list.join() + a.id + a.per_hz.toPrecision(3);
  if (was === now) return;
  const keep = sel.value && list.includes(+sel.value) ? sel.value : String(list.find((v) => v >= 10 * spec.speed_hz) || top);
  sel.dataset.for = now;
  sel.replaceChildren(...list.map((v) => new Option(`${sig(v * a.per_hz, 3)} ${a.label}`, v)));
  sel.value = keep;
}

function readSpectrum(i) {
  const p = $("spectrum-read");
  if (!spec || i < 0 || i >= spec.lines.length) { p.textContent = ""; return; }
  const a = axis(), peak = spec.peaks.find((k) => Math.abs(k.hz - i * spec.step_hz) <= spec.step_hz * .75);
  const hz = peak ? peak.hz : i * spec.step_hz;
  p.textContent = `${frequency(hz, peak ? peak.hz_error : 0, a)} · ${peak ? peak.text : sig(spec.lines[i], 3) + " " + spec.unit} · ` +
    (peak ? peak.name + (peak.why ? `: ${peak.why}` : "") : p.dataset.none);
}

// frequency writes as many decimals as the uncertainty (95 %) leaves.
function frequency(hz, error, a) {
  const half = 1.96 * error * a.per_hz, d = half > 0 ? Math.min(Math.max(-Math.floor(Math.log10(half)), 0), 4) : -1;
  return d < 0 ? `${sig(hz * a.per_hz, 4)} ${a.label}` : `${(hz * a.per_hz).toFixed(d)} ± ${half.toFixed(d)} ${a.label}`;
}

function peaks(s, a) {
  const body = $("peaks");
  s.peaks.forEach((p, i) => {
    let row = body.rows[i];
    if (!row) {
      row = body.insertRow();
      const b = document.createElement("button");
      b.type = "button";
      b.onclick = () => spectrum.move(spectrum.index(+b.dataset.x));
      row.insertCell().append(b); row.insertCell(); row.insertCell();
    }
    const b = row.cells[0].firstChild;
    b.dataset.x = p.hz * a.per_hz;
    write(b, frequency(p.hz, p.hz_error, a));
    write(row.cells[1], p.text); write(row.cells[2], p.name + (p.why ? `: ${p.why}` : ""));
  });
  while (body.rows.length > s.peaks.length) body.deleteRow(-1);
}

for (const id of ["axis", "span", "log"]) $(id).addEventListener("change", () => {
  if (!spec) return;
  const at = spectrum.cursor;
  spectrumChart(spec);
  if (at >= 0) { spectrum.cursor = at; spectrum.draw(); readSpectrum(at); }
});
$("prev").onclick = () => spectrum.jump(-1);
$("next").onclick = () => spectrum.jump(1);

// ---- waveform ----

let wave = null;
const waveform = new Chart($("waveform"), (i) => {
  if (wave && i >= 0) $("waveform-read").textContent = `${sig(i * wave.step_s * 1e3, 4)} ms · ${sig(wave.values[i], 3)} ${wave.unit}`;
});
function waveformChart(w) {
  wave = w;
  waveform.set({
    x0: 0, dx: w.step_s * 1e3, n: w.values.length, lo: 0, hi: (w.values.length - 1) * w.step_s * 1e3,
    series: [{ y: w.values, color: `--s${Math.max(picked, 0) % 6}` }],
    marks: w.marks_s.map((t) => ({ x: t * 1e3 })), xLabel: "ms", yLabel: w.unit,
  });
}

// ---- the last minutes ----

const past = { unix: [], rpm: [], channels: [], next: 0, unit: "", level_unit: "" };
const KEEP = 600;

async function follow() {
  if (document.hidden) return;
  try {
    const t = await fetchJSON(`/trend?from=${past.next}`);
    const n = past.unix.length;
    past.next = t.next; past.unit = t.unit; past.level_unit = t.level_unit;
    past.unix.push(...t.unix); past.rpm.push(...t.rpm);
    for (const c of t.channels) {
      let p = past.channels.find((x) => x.name === c.name);
      if (!p) { p = { name: c.name }; past.channels.push(p); }
      for (const k of ["amplitude", "phase", "overall", "x", "y"]) { p[k] = p[k] || Array(n).fill(null); p[k].push(...c[k]); }
    }
    trim();
    trendChart();
  } catch { /* as above */ }
}
function trim() {
  const n = past.unix.length, cut = Math.max(n - KEEP, 0);
  const lists = [past.unix, past.rpm];
  for (const c of past.channels) for (const k of ["amplitude", "phase", "overall", "x", "y"]) { while (c[k].length < n) c[k].push(null); lists.push(c[k]); }
  for (const l of lists) l.splice(0, cut);
}
setInterval(follow, 2000);

// The way since the job began goes before the path of the last minutes.
let way = null;
async function jobWay() {
  if (document.hidden) return;
  try {
    const r = await fetch(api + "/way");
    way = r.status === 200 ? await r.json() : null;
    const p = $("way");
    p.hidden = !way;
    if (way) write(p, p.dataset.text.replace("%s", way.job));
  } catch { /* as above */ }
}
jobWay();
setInterval(jobWay, 5000);

const stops = (channels) => channels.map((c) => {
  const w = way && way.channels.find((x) => x.name === c.name);
  return w && way.unit === c.amplitude.unit ? w.stops : [];
});

function paths(channels) {
  return channels.map((c) => {
    const w = way && way.unit === c.amplitude.unit && way.channels.find((x) => x.name === c.name);
    if (w && w.path.length) return w.path;
    const p = past.channels.find((x) => x.name === c.name);
    if (!p) return [];
    const out = [];
    for (let i = 0; i < p.x.length; i++) if (p.x[i] !== null) out.push([p.x[i], p.y[i]]);
    return out;
  });
}

function trendChart() {
  const what = $("what").value, n = past.unix.length;
  if (!n) { trend.set(null); return; }
  const end = past.unix[n - 1];
  const series = what === "rpm" ? [{ y: past.rpm, color: "--ink", name: "" }] :
    past.channels.map((c, i) => ({ y: c[what], color: `--s${i % 6}`, dash: DASH[i % 6], name: c.name }))
      .filter((_, i) => picked < 0 || i === picked);
  const m = {
    xs: past.unix.map((t) => (t - end) / 60), n, lo: Math.min((past.unix[0] - end) / 60, -.5), hi: 0, series,
    zero: what === "amplitude" || what === "overall", xLabel: "min",
    yLabel: what === "rpm" ? "rpm" : what === "phase" ? "°" : what === "overall" ? past.level_unit : past.unit,
  };
  if (what === "phase") { m.yLo = 0; m.yHi = 360; }
  trend.set(m);
}
const trend = new Chart($("trend"), (i) => {
  const m = trend.model;
  if (!m || i < 0) return;
  $("trend-read").textContent = `${sig(m.xs[i], 2)} min · ` + m.series.map((s) => `${s.name} ${sig(s.y[i], 4)}`).join(" · ") + ` ${m.yLabel}`;
});
$("what").addEventListener("change", trendChart);

listen();
follow();
document.addEventListener("visibilitychange", () => { if (!document.hidden) { follow(); pull(); } });
