// Recordings that are dropped or chosen: sent one after the other, never played.
"use strict";
(() => {
  const send = async (to, file) => {
    const answer = await fetch(to, { method: "POST", headers: { "content-type": "application/octet-stream" }, body: file });
    const told = answer.status === 204 ? {} : await answer.json();
    if (!answer.ok) throw new Error(told.error || "it was refused");
    return told;
  };
  const query = (pairs) => new URLSearchParams(pairs).toString();

  for (const form of document.querySelectorAll("form.upload")) {
    const drop = form.querySelector(".drop");
    const input = form.querySelector("input[type=file]");
    const status = form.querySelector(".status");
    const button = form.querySelector("button[type=submit]");
    for (const kind of ["dragenter", "dragover"]) drop.addEventListener(kind, (e) => { e.preventDefault(); drop.classList.add("over"); });
    for (const kind of ["dragleave", "drop"]) drop.addEventListener(kind, () => drop.classList.remove("over"));
    drop.addEventListener("drop", (event) => {
      event.preventDefault();
      if (event.dataTransfer.files.length) input.files = event.dataTransfer.files;
    });

    const one = async () => {
      const file = input.files[0];
      status.textContent = `Reading ${file.name} …`;
      const about = {
        wheel: form.dataset.wheel, name: file.name,
        plan: form.querySelector("select").value, heard: form.querySelector("[name=heard]").value,
      };
      const told = await send(`${form.dataset.upload}?${query(about)}`, file);
      status.textContent = `Kept as sounding ${told.number}.`;
      location.href = `/soundings/${told.number}`;
    };

    const table = async () => {
      const file = input.files[0];
      status.textContent = `Studying ${file.name} …`;
      const told = await send(`${form.dataset.table}?${query({ name: file.name })}`, file);
      status.textContent = "";
      const result = form.querySelector(".result");
      result.textContent = told.text;
      result.hidden = false;
      form.querySelector(".pictures").replaceChildren(...told.pictures.map(({ svg, alt }) => {
        const picture = document.createElement("img");
        picture.alt = alt;
        picture.src = `data:image/svg+xml;charset=utf-8,${encodeURIComponent(svg)}`;
        return picture;
      }));
    };

    const bar = form.querySelector("progress");
    const follow = async () => {
      for (;;) {
        const told = await (await fetch(`${form.dataset.lot}/progress`)).json();
        if (!told) return;
        bar.hidden = false;
        bar.max = Math.max(1, told.wheels); bar.value = told.done;
        const left = told.left_s ? `, about ${told.left_s < 90 ? `${told.left_s} s` : `${Math.round(told.left_s / 60)} min`} left` : "";
        status.textContent = `${told.done} of ${told.wheels} wheels are read${left}.`;
        form.querySelector(".failed").replaceChildren(...told.failed.map((f) => { const li = document.createElement("li"); li.textContent = f; return li; }));
        if (told.phase === "done") {
          if (told.failed.length) status.textContent += " Look at what failed, then load this page again for the report.";
          else location.reload();
          return;
        }
        await new Promise((done) => setTimeout(done, 700));
      }
    };
    const many = async () => {
      const files = [...input.files].filter((f) => /\.(wav|flac|ogg|mp3|m4a|aac|caf|aiff?|mkv|webm)$/i.test(f.name));
      if (!files.length) throw new Error("there is no recording among these files");
      let k = 0;
      for (const file of files) {
        k += 1;
        status.textContent = `Taking in ${k} of ${files.length}: ${file.name}`;
        await send(`${form.dataset.lot}/recordings?${query({ name: file.webkitRelativePath || file.name })}`, file);
      }
      const how = { pattern: form.querySelector("[name=pattern]").value, plan: form.querySelector("select").value };
      const answer = await fetch(`${form.dataset.lot}/read`, { method: "POST", headers: { "content-type": "application/json" }, body: JSON.stringify(how) });
      if (!answer.ok) throw new Error((await answer.json()).error);
      await follow();
    };

    form.addEventListener("submit", async (event) => {
      event.preventDefault();
      if (button.disabled) return;
      if (!input.files.length) { status.textContent = "Choose a recording first."; return; }
      button.disabled = true;
      try { await (form.dataset.lot ? many() : form.dataset.table ? table() : one()); }
      catch (error) { status.textContent = `It cannot be read: ${error.message}`; }
      button.disabled = false;
    });
    if (form.dataset.reading !== undefined) follow();
  }
})();
