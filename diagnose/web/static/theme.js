"use strict";
// Light or dark: the system's choice until the user makes one. Run before anything is drawn.
{
  const root = document.documentElement;
  let kept = null;
  try { kept = localStorage.getItem("theme"); } catch { /* a browser that keeps nothing */ }
  if (kept === "light" || kept === "dark") root.dataset.theme = kept;
  document.addEventListener("DOMContentLoaded", () => {
    document.getElementById("theme").addEventListener("click", () => {
      const dark = root.dataset.theme
        ? root.dataset.theme === "dark"
        : matchMedia("(prefers-color-scheme: dark)").matches;
      root.dataset.theme = dark ? "light" : "dark";
      try { localStorage.setItem("theme", root.dataset.theme); } catch { /* as above */ }
    });
  });
}
