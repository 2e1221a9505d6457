"use strict";
// The list by keyboard: j and k walk it, o opens the site, / goes to the filter.
(() => {
  const cases = [...document.querySelectorAll("article.case")];
  const hint = document.querySelector("[data-keys]");
  if (hint && cases.length) hint.hidden = false;
  const go = (step) => {
    const here = cases.indexOf(document.activeElement?.closest("article.case"));
    const next = cases[Math.min(cases.length - 1, Math.max(0, here + step))];
    next?.focus();
    next?.scrollIntoView({ block: "nearest" });
  };
  document.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    if (/^(INPUT|SELECT|TEXTAREA)$/.test(event.target.tagName)) return;
    if (event.key === "j") go(1);
    else if (event.key === "k") go(-1);
    else if (event.key === "o") document.activeElement?.closest("article.case")?.querySelector("h3 a")?.click();
    else if (event.key === "/") document.querySelector(".filters select")?.focus();
    else return;
    event.preventDefault();
  });
})();
