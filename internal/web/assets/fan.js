// The panel of the virtual fan. What it refuses is shown as it says it.

const api = document.body.dataset.api + "/fan";
const $ = (id) => document.getElementById(id);
const panel = $("fan"), refused = $("fan-refused");
let fan = null;

async function ask(body) {
  try {
    const r = await fetch(api, body ? { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(body) } : {});
    const got = await r.json();
    if (!r.ok) { refused.textContent = got.error; refused.hidden = false; return false; }
    if (body) refused.hidden = true;
    show(got);
    return true;
  } catch { return false; } // the page says that the daemon is lost
}

function options(sel, list) { // list of [value, text]
  const now = JSON.stringify(list);
  if (sel.dataset.was === now) return;
  sel.dataset.was = now;
  const keep = sel.value;
  sel.replaceChildren(...list.map(([v, t]) => new Option(t, v)));
  if (list.some(([v]) => String(v) === keep)) sel.value = keep;
}

function show(f) {
  fan = f;
  $("fan-word").textContent = f.word + (f.plugged ? "" : `. ${panel.dataset.unplugged}`);
  $("fan-speed").textContent = `${f.speed.text} ${f.speed.unit}`;
  panel.querySelector('[data-do="start"]').disabled = f.supply_on;
  panel.querySelector('[data-do="stop"]').disabled = !f.supply_on;
  panel.querySelector('[data-do="unplug"]').disabled = !f.plugged;
  const list = $("fan-weights"), texts = f.weights.map((w) => `${w.plane}: ${w.mass_g} g, ${w.angle_deg}°`);
  if (list.dataset.was !== texts.join()) {
    list.dataset.was = texts.join();
    list.replaceChildren(...(texts.length ? texts : [panel.dataset.none]).map((t) => { const li = document.createElement("li"); li.textContent = t; return li; }));
  }
  const fit = $("fan-fit");
  options(fit.plane, f.planes.map((p) => [p.name, p.name]));
  places();
  options($("fan-bend").blade, f.blades.map((b) => [b.blade, b.blade]));
}

function places() {
  const fit = $("fan-fit"), plane = fan.planes.find((p) => p.name === fit.plane.value);
  options(fit.position, [["", panel.dataset.free], ...(plane ? plane.positions.map((p) => [p.angle_deg, `${p.number} · ${p.angle_deg}°`]) : [])]);
}

function blade() {
  const f = $("fan-bend"), b = fan && fan.blades.find((x) => x.blade === +f.blade.value);
  if (b) { f.track.value = b.track_mm; f.pitch.value = b.pitch_deg; f.mass.value = b.mass_g; }
}

const number = (text) => { const v = parseFloat(String(text).replace(",", ".")); return Number.isFinite(v) ? v : 0; };

panel.addEventListener("click", (e) => { const b = e.target.closest("[data-do]"); if (b) ask({ do: b.dataset.do }); });
$("fan-fit").plane.addEventListener("change", places);
$("fan-fit").position.addEventListener("change", (e) => { $("fan-fit").angle.value = e.target.value; });
$("fan-fit").addEventListener("submit", (e) => {
  e.preventDefault();
  const f = e.target;
  ask({ do: "fit", plane: f.plane.value, mass_g: number(f.mass.value), angle_deg: number(f.angle.value) });
});
$("fan-bend").blade.addEventListener("change", blade);
$("fan-bend").addEventListener("submit", (e) => {
  e.preventDefault();
  const f = e.target;
  ask({ do: "bend", blade: +f.blade.value, track_mm: number(f.track.value), pitch_deg: number(f.pitch.value), mass_g: number(f.mass.value) });
});

await ask();
blade();
setInterval(() => { if (!document.hidden) ask(); }, 1000);
