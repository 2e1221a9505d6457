"use strict";
// The list by keyboard: j and k walk it, o opens the site, a the forms, / goes to the filter. Never while a
// field is being typed in, and not at all once the reader turned it off.
(() => {
  const hint = document.querySelector("[data-keys]");
  const button = document.querySelector("[data-keys-switch]");
  const cases = () => [...document.querySelectorAll("article.case")];
  const kept = () => {
    try { return localStorage.getItem("keys"); } catch { return null; }
  };
  let on = kept() !== "off";
  const say = () => { if (button) button.textContent = on ? "Turn keys off" : "Turn keys on"; };
  if (hint && cases().length) hint.hidden = false;
  say();
  button?.addEventListener("click", () => {
    on = !on;
    try { localStorage.setItem("keys", on ? "on" : "off"); } catch { /* for this page only */ }
    say();
  });

  const here = () => document.activeElement?.closest("article.case");
  const go = (step) => {
    const all = cases();
    const at = all.indexOf(here());
    const next = all[Math.min(all.length - 1, Math.max(0, at + step))];
    next?.focus({ preventScroll: true });
    next?.scrollIntoView({ block: "nearest" });
  };
  const choose = () => {
    const box = document.querySelector("details.choose");
    if (box) box.open = true;
    document.querySelector(".filters select")?.focus();
  };
  document.addEventListener("keydown", (event) => {
    if (event.defaultPrevented || event.ctrlKey || event.metaKey || event.altKey) return;
    if (event.key === "Escape") {
      here()?.querySelector("[data-panel] a[data-act]")?.click();
      return;
    }
    if (!on || event.target.closest?.("input, select, textarea, [contenteditable]")) return;
    if (event.key === "j") go(1);
    else if (event.key === "k") go(-1);
    else if (event.key === "o") here()?.querySelector(".who a")?.click();
    else if (event.key === "a") here()?.querySelector("a[data-act]")?.click();
    else if (event.key === "/") choose();
    else return;
    event.preventDefault();
  });
})();
