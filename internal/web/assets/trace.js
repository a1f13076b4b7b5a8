// Follows what the daemon follows: while something is under way the page shows
// how far it is; when there is something new it is loaded again. It computes
// nothing.

const { api, serial, is } = document.body.dataset;
const $ = (id) => document.getElementById(id);
let heard = performance.now(), drawn = 0;

async function look() {
  try {
    const r = await fetch(api);
    if (!r.ok) return;
    const s = await r.json();
    heard = performance.now();
    $("lost").hidden = true;
    if (String(s.serial) !== serial) { location.reload(); return; }
    if ($("now") && $("now").textContent !== s.text) $("now").textContent = s.text;
    if ($("speed")) $("speed").textContent = s.speed.text;
    if ($("stop")) $("stop").hidden = !s.can_stop;
    if ($("bar")) $("bar").value = s.fraction;
    if ($("growing") && s.turns !== drawn) { drawn = s.turns; await draw(); }
  } catch { if (performance.now() - heard > 5000) $("lost").hidden = false; }
}

async function draw() {
  const r = await fetch(`${api}/picture?part=bode${location.search.replace("?", "&")}`);
  if (!r.ok) return;
  const svg = new DOMParser().parseFromString(await r.text(), "image/svg+xml").documentElement;
  $("growing").replaceChildren(document.importNode(svg, true));
}

// While nothing is under way another hand may begin something.
async function again() {
  if (!document.hidden) await look();
  setTimeout(again, is === "following" || is === "working" ? 700 : 3000);
}
setTimeout(again, 500);
