"use strict";
// What every page does before anything is drawn.
{
  // the secret has become a cookie: it need not stand in the address, nor in what is copied of it
  const here = new URL(location.href);
  if (here.searchParams.has("key")) {
    here.searchParams.delete("key");
    history.replaceState(history.state, "", here);
  }
}
{
  // light or dark: the system's choice until the user makes one
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
