"use strict";
const views = new Map();
const drawn = [];
const options = { mode: "vega-lite", renderer: "svg", actions: false, hover: true };

for (const holder of document.querySelectorAll("script[data-chart]")) {
  const slot = document.getElementById("chart-" + holder.dataset.chart);
  drawn.push(
    vegaEmbed(slot, JSON.parse(holder.textContent), options).then((result) => {
      views.set(holder.dataset.chart, result.view);
      // The frame around the chart carries its words; one picture needs no second set of them.
      for (const name of ["role", "aria-roledescription", "aria-label"]) slot.removeAttribute(name);
      slot.setAttribute("aria-hidden", "true");
    })
  );
}

// One list may drive several charts and the words beside them.
function pick(list) {
  for (const name of list.dataset.picks.split(" ").filter((name) => name)) {
    views.get(name).signal("pick", list.value).runAsync();
  }
  if ("panels" in list.dataset) {
    for (const panel of document.querySelectorAll("[data-who]")) {
      panel.hidden = panel.dataset.who !== list.value;
    }
  }
}

// Paper is wider than a phone and narrower than a screen: draw for it, then for the screen again.
const PAPER_WIDTH = 660;
addEventListener("beforeprint", () => {
  for (const view of views.values()) view.signal("width", PAPER_WIDTH).run();
});
addEventListener("afterprint", () => dispatchEvent(new Event("resize")));

Promise.all(drawn).then(() => {
  for (const list of document.querySelectorAll("select[data-picks]")) {
    list.addEventListener("change", () => pick(list));
    pick(list);
  }
  document.documentElement.dataset.drawn = String(views.size);
});
