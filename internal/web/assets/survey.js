// The drawing follows what is stated. Without this script a button draws it.

const form = document.getElementById("state"), drawing = document.getElementById("drawing"), see = document.getElementById("see");
const watched = ["blades", "blade1", "numbering", "grows", "turns"];
let last = 0;

async function draw() {
  const turn = ++last, q = new URLSearchParams();
  for (const name of watched) q.set(name, form.elements[name].value);
  const r = await fetch(`${form.dataset.drawing}?${q}`);
  if (turn !== last) return;
  if (!r.ok) return; // half-typed: the drawing stays as it was
  const svg = new DOMParser().parseFromString(await r.text(), "image/svg+xml").documentElement;
  if (svg.nodeName === "svg") drawing.replaceChildren(document.importNode(svg, true));
}

if (form) {
  see.hidden = true;
  for (const name of watched) form.elements[name].addEventListener("input", () => { draw().catch(() => {}); });
}
