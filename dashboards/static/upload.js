"use strict";
// Files dropped or chosen are sent one by one, each with its progress; without this script the form does it.
(() => {
  const form = document.querySelector("[data-upload]");
  const lines = document.querySelector("[data-uploads]");
  if (!form) return;
  form.querySelector("[data-drop-hint]").hidden = false;
  const chosen = form.elements.files;
  const profile = form.elements.profile;

  const line = (file) => {
    const row = document.createElement("p");
    row.className = "sending";
    const name = document.createElement("b");
    name.textContent = file.name;
    const bar = document.createElement("progress");
    bar.max = 1;
    bar.value = 0;
    bar.setAttribute("aria-label", `Sending ${file.name}`);
    const said = document.createElement("span");
    said.textContent = "waits";
    row.append(name, " ", bar, " ", said);
    lines.append(row);
    return {
      sent: (share) => {
        bar.value = share;
        said.textContent = share < 1 ? `${Math.round(share * 100)} % sent` : "sent, being loaded";
      },
      end: (text, failed) => {
        bar.remove();
        said.textContent = text;
        row.classList.toggle("stale", failed);
      },
    };
  };

  const told = (entry) => (entry.outcome === "failed"
    ? `failed: ${entry.error}`
    : `${entry.rows_read} rows read: ${entry.accepted} new, ${entry.duplicate} duplicate, ` +
      `${entry.replaced} replaced, ${entry.quarantined} held back`);

  const send = (file, seen) => new Promise((done) => {
    const body = new FormData();
    body.append("files", file);
    if (profile.files[0]) body.append("profile", profile.files[0]);
    const request = new XMLHttpRequest();
    request.open("POST", "/api/uploads");
    request.responseType = "json";
    request.upload.addEventListener("progress", (event) => {
      if (event.lengthComputable) seen.sent(event.loaded / event.total);
    });
    request.addEventListener("load", () => {
      const answer = request.response;
      const ok = request.status < 300 && Array.isArray(answer);
      const text = ok ? answer.map(told).join("; ") : `not taken: ${answer?.detail ?? request.status}`;
      seen.end(text, !ok || answer.some((entry) => entry.outcome === "failed"));
      done();
    });
    request.addEventListener("error", () => {
      seen.end("not sent: the server cannot be reached", true);
      done();
    });
    request.send(body);
  });

  let waiting = Promise.resolve();
  const take = (files) => {
    const all = [...files].map((file) => [file, line(file)]);
    waiting = waiting.then(async () => {
      for (const [file, seen] of all) await send(file, seen);
      await renew();
    });
  };

  // The ledger and what is held back, as they are now; the lines above stay.
  const renew = async () => {
    const answer = await fetch("/loads");
    const page = new DOMParser().parseFromString(await answer.text(), "text/html");
    const old = [...document.querySelectorAll("main > section:not([aria-labelledby='upload'])")];
    const fresh = [...page.querySelectorAll("main > section:not([aria-labelledby='upload'])")];
    old.forEach((section) => section.remove());
    document.querySelector("main").append(...fresh);
    const tally = page.querySelector(".tally");
    if (tally) document.querySelector("main .tally, main > .nothing")?.replaceWith(tally);
  };

  form.addEventListener("submit", (event) => {
    if (!chosen.files.length) return;
    event.preventDefault();
    take(chosen.files);
    chosen.value = "";
  });
  for (const name of ["dragenter", "dragover"]) {
    form.addEventListener(name, (event) => {
      event.preventDefault();
      form.classList.add("over");
    });
  }
  form.addEventListener("dragleave", (event) => {
    if (!form.contains(event.relatedTarget)) form.classList.remove("over");
  });
  form.addEventListener("drop", (event) => {
    event.preventDefault();
    form.classList.remove("over");
    if (event.dataTransfer.files.length) take(event.dataTransfer.files);
  });
})();
