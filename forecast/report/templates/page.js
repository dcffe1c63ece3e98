"use strict";
const views = new Map();
const specs = new Map();
// The code that draws, beside the page or in it, and what it draws are packed.
const code = document.getElementById("drawing-code")?.textContent ?? window.drawingCode;
function unpack(packed) {
  const bytes = Uint8Array.from(atob(packed), (letter) => letter.charCodeAt(0));
  const plain = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("deflate"));
  return new Response(plain).text();
}
const options = { mode: "vega-lite", renderer: "svg", actions: false, hover: true };
const places = [...document.querySelectorAll("[data-draw]")];

// The part of a chart's data that one athlete on one rung has.
function only(spec, who) {
  const datasets = {};
  for (const [name, rows] of Object.entries(spec.datasets)) {
    datasets[name] = rows.filter((row) => row.who === who);
  }
  const params = (spec.params ?? []).map((p) => (p.name === "pick" ? { ...p, value: who } : p));
  return { ...spec, datasets, params };
}

async function draw(place) {
  if (views.has(place)) return;
  views.set(place, null);
  const spec = specs.get(place.dataset.draw);
  const mine = "pick" in place.dataset ? only(spec, place.dataset.pick) : spec;
  const result = await vegaEmbed(place, structuredClone(mine), options);
  views.set(place, result.view);
  // The frame around the chart carries its words; one picture needs no second set of them.
  for (const name of ["role", "aria-roledescription", "aria-label"]) place.removeAttribute(name);
  place.setAttribute("aria-hidden", "true");
}

function pick(list) {
  const place = document.getElementById("chart-" + list.dataset.pick);
  return views.get(place).signal("pick", list.value).runAsync();
}

// Paper is wider than a phone and narrower than a screen: draw for it, then for the screen again.
const PAPER_WIDTH = 660, HALF_WIDTH = 320, HALF_HEIGHT = 200;
const heights = new Map();
function onPaper(place, view) {
  if (place.closest(".pair")) {
    heights.set(view, view.height());
    view.height(HALF_HEIGHT);
  }
  view.signal("width", place.closest(".pair") ? HALF_WIDTH : PAPER_WIDTH).run();
}
// What is folded stays folded on paper, but for an athlete's own page and the cards asked for.
const folded = new Set();
function spread(which) {
  for (const part of document.querySelectorAll(which)) {
    if (!part.open) folded.add(part);
    part.open = true;
  }
}
const resize = () => dispatchEvent(new Event("resize"));
addEventListener("beforeprint", () => {
  if (document.body.className === "athlete") spread("details");
  for (const [place, view] of views) if (view) onPaper(place, view);
});
addEventListener("afterprint", () => {
  for (const [view, height] of heights) view.height(height).run();
  heights.clear();
  for (const part of folded) part.open = false;
  folded.clear();
  resize();
});

for (const part of document.querySelectorAll("details")) part.addEventListener("toggle", resize);
document.getElementById("with-cards")?.addEventListener("click", () => {
  spread("details.client");
  print();
});
function unfold() {
  const part = document.getElementById(location.hash.slice(1));
  if (part?.tagName === "DETAILS") part.open = true;
}
addEventListener("hashchange", unfold);

// What is seen first is drawn first; the rest follows while nobody waits, so that it prints.
async function drawAll() {
  if (!window.DecompressionStream || !code) {
    document.getElementById("not-drawn").hidden = false;
    return;
  }
  (0, eval)(await unpack(code));  // it is there as vegaEmbed
  for (const holder of document.querySelectorAll("script[data-chart]"))
    specs.set(holder.dataset.chart, JSON.parse(await unpack(holder.textContent)));
  const hidden = (place) => place.closest("details:not([open])") !== null;
  for (const place of [...places].sort((a, b) => hidden(a) - hidden(b))) {
    await draw(place);
    await new Promise((done) => setTimeout(done));
  }
  for (const list of document.querySelectorAll("select[data-pick]")) {
    list.addEventListener("change", () => pick(list));
    await pick(list);
  }
  document.documentElement.dataset.drawn = String(places.length);
}
unfold();
drawAll();
