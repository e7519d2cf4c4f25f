/* Small conveniences; every page works without them. */
"use strict";

(() => {
  /* Remember who types their name into a form, on this browser only. */
  const remembered = (field) => `ullage.${field.dataset.remember}`;
  const fill = (root) => {
    for (const field of root.querySelectorAll("[data-remember]")) {
      if (!field.value) field.value = localStorage.getItem(remembered(field)) ?? "";
    }
  };
  document.addEventListener("submit", (event) => {
    for (const field of event.target.querySelectorAll("[data-remember]")) {
      localStorage.setItem(remembered(field), field.value);
    }
  });
  document.addEventListener("htmx:load", (event) => fill(event.detail.elt));
  document.addEventListener("DOMContentLoaded", () => fill(document));

  /* A large file takes its time: the page asks how far it has got. */
  const waiting = () => document.querySelector("#waiting");
  let asking = 0;
  document.addEventListener("htmx:configRequest", (event) => {
    if (!waiting() || !event.detail.path.startsWith("/upload/")) return;
    const ticket = Array.from({ length: 4 }, () => Math.random().toString(36).slice(2)).join("");
    event.detail.parameters.ticket = ticket;
    clearInterval(asking);
    asking = setInterval(async () => {
      const { step, done, total } = await (await fetch(`/upload/progress/${ticket}`)).json();
      const line = waiting();
      if (!line || !asking) return;
      line.hidden = false;
      const bar = line.querySelector("progress");
      if (total) { bar.max = total; bar.value = done; } else bar.removeAttribute("value");
      line.querySelector("span").textContent = total ? `${step}: ${done} of ${total} rows` : "reading the file";
    }, 1000);
  });
  document.addEventListener("htmx:afterRequest", () => {
    clearInterval(asking);
    asking = 0;
    const line = waiting();
    if (line) line.hidden = true;
  });

  /* A preview belongs to the file and the laboratory it was made of. */
  document.addEventListener("change", (event) => {
    const form = event.target.matches("select, [type=file]") && event.target.closest("form[data-clears]");
    if (form && !event.target.closest(form.dataset.clears)) document.querySelector(form.dataset.clears)?.replaceChildren();
  });

  /* What is folded on the screen is printed too. */
  addEventListener("beforeprint", () => {
    for (const folded of document.querySelectorAll("main details:not([open])")) {
      folded.open = true;
      folded.dataset.folded = "";
    }
  });
  addEventListener("afterprint", () => {
    for (const folded of document.querySelectorAll("details[data-folded]")) {
      folded.open = false;
      delete folded.dataset.folded;
    }
  });
})();
