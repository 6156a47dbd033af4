"use strict";
// The dial: one of a series at a time. Without this script all of them are shown.
for (const series of document.querySelectorAll("[data-dial]")) {
  const cards = [...series.querySelectorAll(".card")];
  const box = document.createElement("div");
  box.className = "dial";
  const id = "dial-" + series.id;
  box.innerHTML = '<label for="' + id + '"></label><input type="range" min="0" step="1">';
  const dial = box.querySelector("input");
  dial.id = id;
  dial.max = cards.length - 1;
  dial.value = 0;
  const all = document.createElement("button");
  all.type = "button";
  all.textContent = "Show the whole series";
  all.setAttribute("aria-pressed", "false");
  box.append(all);
  const show = () => {
    const whole = all.getAttribute("aria-pressed") === "true";
    const name = cards[dial.value].querySelector("h3").textContent;
    box.querySelector("label").textContent = series.dataset.dial + ": " + name;
    dial.setAttribute("aria-valuetext", name);
    cards.forEach((card, k) => {
      card.hidden = !whole && k !== Number(dial.value);
      if (card.hidden) card.querySelector("audio").pause();
    });
    series.classList.toggle("pair", !whole);
  };
  dial.addEventListener("input", show);
  all.addEventListener("click", () => {
    all.setAttribute("aria-pressed", String(all.getAttribute("aria-pressed") !== "true"));
    show();
  });
  series.before(box);
  show();
}
// One sound at a time.
document.addEventListener("play", (event) => {
  for (const other of document.querySelectorAll("audio")) if (other !== event.target) other.pause();
}, true);
// The turning wheel: moves only when asked to.
for (const part of document.querySelectorAll(".turning")) {
  const wheel = part.querySelector(".wheel");
  const hammer = part.querySelector(".hammer");
  const told = part.querySelector("[role=status]");
  let timer = 0;
  const step = (rows, k) => {
    for (const row of part.querySelectorAll("tr")) row.removeAttribute("aria-current");
    const row = rows[k];
    row.setAttribute("aria-current", "step");
    wheel.style.transform = "rotate(" + row.dataset.turn + "deg)";
    hammer.setAttribute("transform", "rotate(" + row.dataset.place + ")");
    told.textContent = row.dataset.words;
    if (k + 1 < rows.length) timer = setTimeout(step, 2600, rows, k + 1);
  };
  for (const button of part.querySelectorAll("button[data-plan]")) {
    button.hidden = false;
    button.addEventListener("click", () => {
      clearTimeout(timer);
      step([...part.querySelectorAll('tr[data-of="' + button.dataset.plan + '"]')], 0);
    });
  }
}
