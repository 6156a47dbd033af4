// The large view of a sounding: draws what the server tells, hands keys and clicks on.
"use strict";
(() => {
  const $ = (id) => document.getElementById(id);
  const SVG = "http://www.w3.org/2000/svg";
  const SIGN = { "clear ring": "○", "dull thud": "✕", "unclear": "?" };
  const CLASS = { "clear ring": "ring", "dull thud": "dead", "unclear": "again" };
  const MARK = { "clear ring": "mark-ring", "dull thud": "mark-dead", "unclear": "mark-again" };
  let view = { phase: "idle", spots: [], said: [] };
  let shownEnd = "";

  const say = async (word, spot) => {
    const body = JSON.stringify(spot === undefined ? { word } : { word, spot });
    try {
      await fetch("/sound/word", { method: "POST", headers: { "content-type": "application/json" }, body });
    } catch { lost(); }
  };
  const lost = () => { $("order").textContent = "The program does not answer. Is it still running?"; };

  const element = (name, attributes, text) => {
    const made = document.createElementNS(SVG, name);
    for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
    if (text !== undefined) made.textContent = text;
    return made;
  };
  // The wheel stands as before the person: angles run clockwise from the top.
  const at = (deg, radius) => {
    const rad = deg * Math.PI / 180;
    return [radius * Math.sin(rad), -radius * Math.cos(rad)];
  };
  const arc = (from, sweep, radius) => {
    const [x0, y0] = at(from, radius), [x1, y1] = at(from + sweep, radius);
    return `M${x0} ${y0}A${radius} ${radius} 0 ${sweep > 180 ? 1 : 0} 1 ${x1} ${y1}`;
  };
  const face = () => {
    const svg = $("face");
    const parts = [element("circle", { r: 100, class: "face-rim" })];
    const turned = view.turned_deg || 0;
    const longest = Math.max(0.4, ...view.spots.map((s) => s.ring_time_s || 0));
    view.spots.forEach((spot, k) => {
      const deg = spot.deg + turned;
      const [x, y] = at(deg, 86), [hx, hy] = at(deg, 20);
      parts.push(element("line", { x1: hx, y1: hy, x2: x, y2: y, class: "face-spoke" }));
      if (spot.reading) {
        // Neighbours are 45 degrees apart or more: trails do not touch.
        const sweep = Math.max(3, 36 * (spot.ring_time_s || 0) / longest);
        parts.push(element("path", { d: arc(deg - sweep / 2, sweep, 110), class: `face-trail ${CLASS[spot.reading]}` }));
      }
    });
    parts.push(element("circle", { r: 16, class: "face-hole" }));
    const [mx, my] = at(turned, 42);
    parts.push(element("path", { d: "M0 -9L7 6L-7 6Z", class: "face-mark", transform: `translate(${mx} ${my}) rotate(${turned})` }));
    view.spots.forEach((spot, k) => {
      const [x, y] = at(spot.deg + turned, 86);
      const isNow = view.asking === k || (view.asking === null && view.next === k && view.wait === "");
      if (isNow && view.asking === null) parts.push(element("circle", { cx: x, cy: y, r: 14, class: "face-beat" }));
      parts.push(element("circle", { cx: x, cy: y, r: 13, class: isNow ? "face-next" : "face-spot" }));
      const sign = spot.reading ? SIGN[spot.reading] : String(k + 1);
      parts.push(element("text", { x, y, class: isNow ? "face-words face-next-words" : "face-words" }, sign));
    });
    svg.replaceChildren(...parts);
    const words = view.spots.map((s, k) => `spot ${k + 1} at ${s.deg} degrees: ${s.reading || (s.is_struck ? "struck" : "not struck yet")}`);
    $("face-words").textContent = `The wheel's face. ${words.join("; ")}.`;
  };

  const readings = () => {
    const items = view.spots.map((spot, k) => {
      if (!spot.is_struck) return null;
      const li = document.createElement("li");
      const mark = document.createElement("span");
      mark.className = `outcome ${MARK[spot.reading] || ""}`;
      const heard = spot.heard ? `you heard: ${spot.heard}` : "waits for your ear";
      mark.textContent = spot.reading ? `${SIGN[spot.reading]} ${spot.reading}` : `${k + 1}`;
      li.append(`Spot ${k + 1}: `, mark, `, ${heard}`);
      if (spot.ring_time_s) li.append(`, rings ${spot.ring_time_s.toFixed(2)} s`);
      if (spot.why) {
        const why = document.createElement("span");
        why.className = "why";
        why.textContent = spot.why;
        li.append(why);
      }
      return li;
    });
    $("readings").replaceChildren(...items.filter(Boolean));
  };

  const end = () => {
    const told = view.end;
    $("end").hidden = !told;
    if (!told || JSON.stringify(told) === shownEnd) return;
    shownEnd = JSON.stringify(told);
    $("outcome").textContent = told.outcome.toUpperCase();
    $("outcome").className = `outcome-large ${told.outcome === "sounds dead" ? "dead" : told.outcome === "rings clear" ? "ring" : ""}`;
    $("summary").textContent = told.summary.charAt(0).toUpperCase() + told.summary.slice(1) + ".";
    $("steps").replaceChildren(...told.steps.map((s) => { const li = document.createElement("li"); li.textContent = s; return li; }));
    $("kept").textContent = told.kept;
    const way = (href, words, isMain) => {
      const a = document.createElement("a");
      a.href = href; a.className = isMain ? "button main" : "button"; a.textContent = words;
      return a;
    };
    const ways = [];
    if (told.number) {
      ways.push(way(`/soundings/${told.number}`, "Pictures and sounds"), way(`/soundings/${told.number}/sheet`, "Sheet to print"));
      if (told.outcome === "sounds dead") ways.push(way(`/soundings/${told.number}/tag`, "Tag to print"));
    }
    if (view.wheel) ways.push(way(`/sound/prepare?wheel=${encodeURIComponent(view.wheel)}`, "Sound it again"));
    ways.push(way("/", told.can_go_on ? "To the start, where it can be gone on with" : "Next wheel", true));
    $("end-ways").replaceChildren(...ways);
    $("outcome").focus();
  };

  const draw = () => {
    $("bench").dataset.phase = view.phase;
    $("bench-wheel").textContent = view.wheel ? `Wheel ${view.wheel}` : "";
    $("bench-source").textContent = view.source;
    const order = view.phase === "idle" ? "Nothing is being sounded." : view.order;
    const head = view.phase === "taking" && view.asking === null && view.next !== null && view.wait === ""
      ? `Tap spot ${view.next + 1} of ${view.spots.length}: ${order}` : order;
    if ($("order").textContent !== head) $("order").textContent = head;
    const newest = view.phase === "taking" ? view.said[view.said.length - 1] || "" : "";
    if ($("newest").textContent !== newest) $("newest").textContent = newest;
    $("order").hidden = view.phase === "over" && !head;
    $("ear").hidden = view.asking === null || view.phase !== "taking";
    const isLost = view.wait === "no sound";
    for (const word of ["retry", "microphone"]) document.querySelector(`[data-word=${word}]`).hidden = !isLost;
    face(); readings(); end();
    $("said").replaceChildren(...view.said.map((s) => { const li = document.createElement("li"); li.textContent = s; return li; }).reverse());
  };

  const wave = $("wave");
  const pen = wave.getContext("2d");
  let colours = null;
  const level = (told) => {
    if (!told.row) return;
    const words = told.held_db === null ? "zero" : told.held_db > -0.1 ? "TOO LOUD" : `${Math.round(told.held_db)} dB`;
    if ($("level-words").textContent !== words) $("level-words").textContent = words;
    const place = (db) => db === null ? 0 : Math.min(100, Math.max(0, 100 + db / 0.8));
    $("meter").firstElementChild.style.width = `${place(told.now_db)}%`;
    $("meter").lastElementChild.style.left = `calc(${place(told.held_db)}% - .2rem)`;
    $("meter").setAttribute("aria-valuenow", told.now_db === null ? -80 : told.now_db);
    if (!colours) {
      const style = getComputedStyle(document.documentElement);
      colours = [style.getPropertyValue("--ring"), style.getPropertyValue("--dead")];
    }
    const { width, height } = wave;
    pen.clearRect(0, 0, width, height);
    const step = width / 160;
    told.row.forEach((peak, k) => {
      const tall = Math.max(1, peak / 100 * height);
      pen.fillStyle = peak >= 100 ? colours[1] : colours[0];
      pen.fillRect((160 - told.row.length + k) * step, (height - tall) / 2, Math.max(1, step - 1), tall);
    });
  };

  const stream = new EventSource("/sound/events");
  stream.addEventListener("view", (event) => { view = JSON.parse(event.data); draw(); });
  stream.addEventListener("level", (event) => level(JSON.parse(event.data)));
  stream.addEventListener("error", lost);
  stream.addEventListener("open", draw);

  document.addEventListener("click", (event) => {
    const button = event.target.closest("[data-word]");
    if (button) say(button.dataset.word);
  });
  const KEYS = { r: "ring", t: "thud", u: "unsure", x: "again", n: "no-tap", p: "pause", q: "stop", m: "microphone", Enter: "retry" };
  document.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.altKey || event.metaKey || event.repeat || view.phase !== "taking") return;
    const isOnControl = event.target.closest("a, button, summary, input");
    if (event.key === "Enter" && (isOnControl || view.wait !== "no sound")) return;
    if (/^[1-9]$/.test(event.key)) {
      const spot = Number(event.key) - 1;
      if (view.spots[spot] && view.spots[spot].is_struck) say("again", spot);
      return;
    }
    const word = KEYS[event.key.length === 1 ? event.key.toLowerCase() : event.key];
    if (!word || (word === "microphone" && view.wait !== "no sound")) return;
    event.preventDefault();
    say(word);
  });
})();
