/* Draws the figures that the server sends. No figure is computed here. */
"use strict";

(() => {
  const SUBSCRIPTS = "₀₁₂₃₄₅₆₇₈₉";

  const chemical = (text) => {
    const holder = document.createElement("span");
    for (const letter of text) {
      const digit = SUBSCRIPTS.indexOf(letter);
      if (digit < 0) {
        holder.append(letter);
      } else {
        const sub = document.createElement("sub");
        sub.textContent = digit;
        holder.append(sub);
      }
    }
    return holder;
  };

  const marker = (path, color) => {
    const svg = document.createElementNS("http://www.w3.org/2000/svg", "svg");
    svg.setAttribute("viewBox", "0 0 16 16");
    svg.setAttribute("class", "mark");
    svg.setAttribute("aria-hidden", "true");
    const shape = document.createElementNS("http://www.w3.org/2000/svg", "path");
    shape.setAttribute("d", path);
    shape.setAttribute("fill", color);
    svg.append(shape);
    return svg;
  };

  const get = async (address) => {
    const answer = await fetch(address, { headers: { Accept: "application/json" } });
    if (!answer.ok) throw new Error(`the server answered ${answer.status}`);
    return answer.json();
  };

  /* A figure carries the y range and label heights of both scales. */
  const withScale = (figure, scale) => {
    const layout = structuredClone(figure.layout);
    const chosen = layout.meta?.[scale];
    if (chosen) {
      layout.yaxis.type = scale;
      layout.yaxis.range = chosen.range;
      chosen.labels.forEach((height, i) => {
        layout.annotations[i].y = height ?? 0;
        layout.annotations[i].visible = height !== null;
      });
    }
    return layout;
  };

  const trends = (root) => {
    const panels = root.querySelector("[data-panels]");
    const notes = root.querySelector("[data-notes]");
    const tools = root.querySelector(".tools");
    const state = { range: root.dataset.range, scale: "linear", drawn: [], turn: 0 };

    const press = () => {
      for (const button of tools.querySelectorAll("button")) {
        const on = button.dataset.range === state.range || button.dataset.scale === state.scale;
        button.setAttribute("aria-pressed", String(on));
      }
    };

    const panel = (item) => {
      const holder = document.createElement("figure");
      const caption = document.createElement("figcaption");
      const name = document.createElement("b");
      name.append(chemical(item.symbol));
      caption.append(marker(item.mark.path, item.mark.color), name, ` ${item.label}, ${item.unit}`);
      const plot = document.createElement("div");
      plot.className = "plot";
      plot.setAttribute("role", "group");
      plot.setAttribute("aria-label", item.summary);
      holder.append(caption, plot);
      panels.append(holder);
      return { plot, figure: item.figure };
    };

    const draw = async () => {
      const turn = ++state.turn;
      press();
      panels.setAttribute("aria-busy", "true");
      try {
        const answer = await get(`${root.dataset.trends}&range=${state.range}`);
        if (turn !== state.turn) return;
        for (const { plot } of state.drawn) Plotly.purge(plot);
        panels.replaceChildren();
        state.drawn = answer.figures.map(panel);
        for (const { plot, figure } of state.drawn) {
          await Plotly.newPlot(plot, figure.data, withScale(figure, state.scale), figure.config);
        }
        notes.textContent = answer.figures.length ? answer.notes.join("; ") : "No readings in this range.";
      } catch (problem) {
        notes.textContent = `The charts could not be drawn (${problem.message}). The numbers are in the table of samples.`;
      } finally {
        panels.removeAttribute("aria-busy");
      }
    };

    tools.addEventListener("click", (event) => {
      const button = event.target.closest("button");
      if (!button) return;
      if (button.dataset.range) {
        state.range = button.dataset.range;
        draw();
      } else {
        state.scale = button.dataset.scale;
        press();
        for (const { plot, figure } of state.drawn) {
          Plotly.react(plot, figure.data, withScale(figure, state.scale), figure.config);
        }
      }
    });
    tools.hidden = false;
    return draw();
  };

  const diagrams = async (root) => {
    const places = Object.fromEntries([...root.querySelectorAll("[data-diagram]")].map((e) => [e.dataset.diagram, e]));
    try {
      const answer = await get(root.dataset.diagrams);
      for (const { key, figure } of answer.figures) {
        await Plotly.newPlot(places[key], figure.data, figure.layout, figure.config);
      }
    } catch (problem) {
      for (const place of Object.values(places)) {
        place.textContent = `The diagram could not be drawn (${problem.message}). The zones are in the table below.`;
      }
    }
  };

  document.addEventListener("DOMContentLoaded", async () => {
    if (typeof Plotly === "undefined") return;
    for (const root of document.querySelectorAll("[data-trends]")) await trends(root);
    for (const root of document.querySelectorAll("[data-diagrams]")) await diagrams(root);
    document.documentElement.dataset.charts = "drawn";
  });
})();
