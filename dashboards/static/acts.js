"use strict";
// Acts in place: the page that a link or form leads to is fetched, and only the case's own entry is taken from
// it. Whatever else is being typed on this page stays. Without this script the links and forms lead there.
(() => {
  const said = document.createElement("p");
  said.className = "unseen";
  said.setAttribute("role", "status");
  document.querySelector("main")?.append(said);

  const parsed = async (answer) => new DOMParser().parseFromString(await answer.text(), "text/html");

  // Puts the entry of the same case from `page` in place of `entry`; false where the page has none.
  const place = (entry, page) => {
    const fresh = page.getElementById(entry.id);
    if (!fresh) return false;
    const level = entry.querySelector(".who")?.tagName;
    const head = fresh.querySelector(".who");
    if (head && level && head.tagName !== level) {
      const same = document.createElement(level);
      same.className = head.className;
      same.append(...head.childNodes);
      head.replaceWith(same);
    }
    entry.replaceWith(fresh);
    for (const live of document.querySelectorAll("[data-live]")) {
      const now = page.querySelector(`[data-live="${live.dataset.live}"]`);
      if (now) live.replaceWith(now);
    }
    const first = fresh.querySelector("[role='alert']") ? fresh : fresh.querySelector(".panel input:not([type='hidden'])");
    (first ?? fresh).focus({ preventScroll: true });
    fresh.scrollIntoView({ block: "nearest" });
    const told = fresh.querySelector("[role='status'], [role='alert'], .act .soft");
    said.textContent = told ? told.textContent.trim() : "";
    return true;
  };

  const failed = (entry, error) => {
    entry.querySelector(".failed")?.remove();
    const line = document.createElement("p");
    line.className = "stale failed";
    line.setAttribute("role", "alert");
    line.textContent = `Nothing is known to be written: ${error.message}. What you typed is still here.`;
    (entry.querySelector("[data-panel]") ?? entry).prepend(line);
  };

  document.addEventListener("click", async (event) => {
    const link = event.target.closest?.("a[data-act]");
    const entry = link?.closest("article.case");
    if (!entry || event.ctrlKey || event.metaKey || event.shiftKey || event.button) return;
    event.preventDefault();
    try {
      if (!place(entry, await parsed(await fetch(link.href)))) window.location.assign(link.href);
    } catch {
      window.location.assign(link.href);
    }
  });

  document.addEventListener("submit", async (event) => {
    const form = event.target.closest?.("form[data-act-form]");
    const entry = form?.closest("article.case");
    if (!entry) return;
    event.preventDefault();
    const body = new URLSearchParams(new FormData(form, event.submitter));
    form.querySelectorAll("button").forEach((button) => { button.disabled = true; });
    try {
      const answer = await fetch(form.action, { method: "POST", body });
      // The name given once is kept: forms that still ask for it are told.
      const fields = answer.ok && body.get("who") ? document.querySelectorAll("[data-act-form] input[name='who']") : [];
      for (const field of fields) field.value ||= body.get("who");
      if (!place(entry, await parsed(answer))) throw new Error(`the server answered ${answer.status}`);
    } catch (error) {
      failed(entry, error);
    } finally {
      form.querySelectorAll("button").forEach((button) => { button.disabled = false; });
    }
  });
})();
