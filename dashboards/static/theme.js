"use strict";
// Day or night: the system's choice until the reader makes another, which this browser then keeps.
(() => {
  const root = document.documentElement;
  root.dataset.script = "";
  const asked = window.matchMedia("(prefers-color-scheme: dark)");
  const kept = () => {
    try { return localStorage.getItem("page"); } catch { return null; }
  };
  const dark = () => (root.dataset.theme ? root.dataset.theme === "dark" : asked.matches);
  if (kept() === "dark" || kept() === "light") root.dataset.theme = kept();

  document.addEventListener("DOMContentLoaded", () => {
    const button = document.querySelector("[data-theme-switch]");
    const say = () => { button.textContent = dark() ? "Light page" : "Dark page"; };
    button.hidden = false;
    say();
    button.addEventListener("click", () => {
      root.dataset.theme = dark() ? "light" : "dark";
      try { localStorage.setItem("page", root.dataset.theme); } catch { /* kept for this page only */ }
      say();
      document.dispatchEvent(new CustomEvent("page-theme"));
    });
    asked.addEventListener("change", () => {
      say();
      document.dispatchEvent(new CustomEvent("page-theme"));
    });
  });
})();
