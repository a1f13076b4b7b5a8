// The job page is whole without this script; the script keeps it fresh. What
// somebody is typing is never thrown away: then the page only says that the job
// has moved on.

const body = document.body, $ = (id) => document.getElementById(id);
let dirty = false, busy = !$("busy").hidden, heard = Date.now();

function watch() {
  dirty = false;
  for (const f of document.querySelectorAll("main form")) f.addEventListener("input", () => { dirty = true; });
}

// A second tap must not send the same thing twice. A disabled button would not
// send its name, so it is disabled only after the form has gone.
addEventListener("submit", (e) => {
  setTimeout(() => { for (const b of e.target.querySelectorAll("button")) b.disabled = true; });
});
addEventListener("pageshow", () => { for (const b of document.querySelectorAll("main button")) b.disabled = false; });

async function renew() {
  const r = await fetch(body.dataset.url, { headers: { Accept: "text/html" } });
  if (!r.ok) return;
  const doc = new DOMParser().parseFromString(await r.text(), "text/html");
  const open = [...document.querySelectorAll("main details")].map((d) => d.open);
  const keep = document.querySelectorAll("main details").length === doc.querySelectorAll("main details").length;
  $("main").replaceWith(doc.getElementById("main"));
  if (keep) document.querySelectorAll("main details").forEach((d, i) => { d.open = open[i]; });
  body.dataset.events = doc.body.dataset.events;
  busy = !$("busy").hidden;
  watch();
  $("step").focus({ preventScroll: true });
}

let renewing = false;
async function news(m) {
  heard = Date.now();
  $("lost").hidden = true;
  const doing = !!m.busy.doing;
  if (doing && busy) {
    $("bar").value = m.busy.fraction;
    $("busy-text").textContent = m.busy.text || "";
  }
  if ($("turning")) $("turning").textContent = m.speed || "–";
  if ($("level")) $("level").textContent = m.level || "–";
  if (String(m.events) === body.dataset.events && doing === busy) return;
  if (dirty) { $("moved").hidden = false; return; }
  if (renewing) return;
  renewing = true;
  try { await renew(); } catch { /* the next message tries again */ } finally { renewing = false; }
}

const stream = new EventSource(body.dataset.api + "/stream");
stream.addEventListener("job", (e) => news(JSON.parse(e.data)));
setInterval(() => { if (Date.now() - heard > 7000) $("lost").hidden = false; }, 1000);
addEventListener("pagehide", () => stream.close());
watch();
