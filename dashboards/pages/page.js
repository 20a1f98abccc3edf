// What scripts add to pages that do without: what is under way, live, and a closer
// look at raw traces. Texts are set as texts, never as markup.
"use strict";

(() => {
  const element = (name, text, attributes) => {
    const e = document.createElement(name);
    if (text) e.textContent = text;
    for (const [k, v] of Object.entries(attributes || {})) e.setAttribute(k, v);
    return e;
  };

  // Live.
  const place = document.getElementById("underway"), work = document.getElementById("work");
  if ((place || work) && window.EventSource) {
    const events = new EventSource("/live");
    let first = true, before = new Set();
    events.addEventListener("state", e => {
      const state = JSON.parse(e.data);
      if (place) {
        const list = element("ul", "", { class: "underway" });
        for (const p of state.under_way) {
          const item = element("li");
          item.append(element("a", p.name, { href: "/cells/" + encodeURIComponent(p.cell) }), ": " + p.words + " ", element("a", "see it", { href: "/pulls/" + encodeURIComponent(p.pull) }));
          list.append(item);
        }
        place.replaceChildren(...(state.under_way.length ? [element("h2", "Under way"), list] : []));
        // What is no longer under way is computed: the figures on the page are old.
        const now = new Set(state.under_way.map(p => p.pull));
        if (!first && [...before].some(p => !now.has(p))) {
          const note = element("p", "A pull has been computed since this page was made. ", { class: "note", id: "newer" });
          note.append(element("a", "Show the page anew", { href: location.href }));
          place.append(note);
        }
        before = now;
        first = false;
      }
      if (work && state.work) {
        const w = state.work;
        document.getElementById("stage").textContent = w.stage + ": " + w.done + " of " + w.total;
        document.getElementById("bar").value = w.total ? Math.floor(100 * w.done / w.total) : 0;
        document.getElementById("outcome").textContent = w.running ? "It runs." : "It has ended: " + w.outcome + ".";
      }
    });
    addEventListener("pagehide", () => events.close());
  }

  // Traces: the drawing stays until somebody asks for a closer look.
  const figures = window.uPlot ? document.querySelectorAll("figure[data-key]") : [];
  if (figures.length) document.head.append(element("link", "", { rel: "stylesheet", href: "/uplot.css" }));
  for (const figure of figures) {
    const button = element("button", "Look closer", { type: "button", class: "closer" });
    button.addEventListener("click", () => closer(figure, button));
    figure.after(button);
  }

  async function closer(figure, button) {
    const scale = Number(figure.dataset.scale), offset = Number(figure.dataset.offset), key = figure.dataset.key;
    const base = location.pathname.replace(/\/traces$/, "") + "/traces?chart=" + encodeURIComponent(key) + "&format=json&most=4000";
    const samples = async (from, until) => {
      const span = from === undefined ? "" : "&from=" + from + "&until=" + until;
      const answer = await fetch(base + span);
      if (!answer.ok) throw new Error("The samples could not be had (" + answer.status + ").");
      const rows = (await answer.json()).rows;
      return [rows.map(r => r.time_s), rows.map(r => (r[key] - offset) / scale)];
    };
    const ink = getComputedStyle(document.documentElement).color;
    const rule = getComputedStyle(document.documentElement).getPropertyValue("--rule");
    let whole;
    try {
      whole = await samples();
    } catch (e) {
      button.after(element("p", e.message, { role: "alert", class: "note" }));
      return;
    }
    const low = whole[0][0], high = whole[0][whole[0].length - 1];
    let from = low, until = high, asked = 0;
    const axis = { stroke: ink, grid: { stroke: rule, width: 1 }, ticks: { stroke: rule, width: 1 } };
    const plot = new uPlot({
      width: figure.clientWidth, height: 240, legend: { live: true },
      scales: { x: { time: false } },
      cursor: { drag: { x: true, y: false, setScale: false } },
      series: [{ label: "s" }, { label: figure.dataset.unit || "value", stroke: ink, width: 1.4 }],
      axes: [axis, { ...axis, size: 62 }],
      hooks: { setSelect: [u => u.select.width > 3 && show(u.posToVal(u.select.left, "x"), u.posToVal(u.select.left + u.select.width, "x"))] },
    }, whole, element("div"));
    const said = element("span", "", { class: "note", "aria-live": "polite" });
    async function show(a, b) {
      const wide = Math.max(b - a, (high - low) / 1e4);
      from = Math.min(Math.max(a, low), high - Math.min(wide, high - low));
      until = Math.min(from + wide, high);
      const mine = ++asked;
      const data = until - from >= high - low ? whole : await samples(from, until);
      if (mine !== asked || !data[0].length) return;
      plot.setData(data, false);
      plot.batch(() => {
        plot.setScale("x", { min: from, max: until });
        plot.setScale("y", { min: null, max: null });
        plot.setSelect({ left: 0, top: 0, width: 0, height: 0 }, false);
      });
      said.textContent = " " + from.toFixed(3) + " to " + until.toFixed(3) + " s, " + data[0].length + " samples";
      figure.dataset.from = from;
      figure.dataset.until = until;
    }
    const tools = element("p", "", { class: "tools" });
    const tool = (word, label, does) => {
      const b = element("button", word, { type: "button", "aria-label": label });
      b.addEventListener("click", does);
      tools.append(b);
    };
    tool("+", "closer", () => show(from + (until - from) / 4, until - (until - from) / 4));
    tool("−", "farther", () => show(from - (until - from) / 2, until + (until - from) / 2));
    tool("←", "earlier", () => show(from - (until - from) / 2, until - (until - from) / 2));
    tool("→", "later", () => show(from + (until - from) / 2, until + (until - from) / 2));
    tool("whole record", "whole record", () => show(low, high));
    tools.append(said);
    plot.over.addEventListener("dblclick", () => show(low, high));
    figure.replaceChildren(plot.root);
    button.replaceWith(tools);
    addEventListener("resize", () => plot.setSize({ width: figure.clientWidth, height: 240 }));
    await show(low, high);
    tools.querySelector("button").focus();
  }
})();
