// The blind ear test: plays on demand, hands the answers on, tells nothing before the end.
"use strict";
(() => {
  const $ = (id) => document.getElementById(id);
  const base = `/teach/ear/${$("test").dataset.test}`;
  const answers = [...document.querySelectorAll("[data-said]")];
  const sound = $("sound");
  let isOver = false;
  const post = (path, body) => fetch(base + path, { method: "POST", headers: { "content-type": "application/json" }, body: JSON.stringify(body) });
  const tell = (words) => { $("told").textContent = words; };
  const play = async () => {
    if (isOver) return;
    try {
      sound.currentTime = 0;
      await sound.play();
      await post("/played", {});
      answers.forEach((b) => { b.disabled = false; });
      tell("What did you hear? You may play it again.");
    } catch { tell("The sound cannot be played: is there a loudspeaker?"); }
  };
  const answer = async (said) => {
    const reply = await post("/answer", { said });
    const told = await reply.json();
    if (!reply.ok) { tell(told.error); return; }
    if (told.over) {
      isOver = true;
      sound.pause();
      answers.forEach((b) => { b.disabled = true; });
      $("play").disabled = true; $("stop").hidden = true;
      tell("The round is over and kept.");
      $("result").textContent = told.text; $("result").hidden = false;
      return;
    }
    answers.forEach((b) => { b.disabled = true; });
    $("place").textContent = told.place;
    sound.src = `${base}/sound.wav?n=${told.place}`;
    tell("Play the sound first.");
    $("play").focus();
  };
  $("play").addEventListener("click", play);
  $("stop").addEventListener("click", () => answer("stop"));
  answers.forEach((b) => b.addEventListener("click", () => answer(b.dataset.said)));
  document.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.altKey || event.metaKey || event.repeat) return;
    const key = event.key.toLowerCase();
    const said = { r: "ring", t: "thud", u: "unsure" }[key];
    if (key === "p") { event.preventDefault(); play(); }
    else if (said && !answers[0].disabled) { event.preventDefault(); answer(said); }
  });
})();
