/* The button that turns the page dark or light.  Its choice is kept for the next visit; `themechange` tells the plots. */
var theme = (function () {
  "use strict";
  var root = document.documentElement, button = document.getElementById("theme"), dark = matchMedia("(prefers-color-scheme: dark)");
  function isDark() {
    var chosen = root.getAttribute("data-theme");
    return chosen ? chosen === "dark" : dark.matches;
  }
  function changed() {
    button.setAttribute("aria-pressed", String(isDark()));
    document.dispatchEvent(new Event("themechange"));
  }
  button.addEventListener("click", function () {
    var chosen = isDark() ? "light" : "dark";
    root.setAttribute("data-theme", chosen);
    try { localStorage.setItem("dossier-theme", chosen); } catch (error) { /* kept for this visit only */ }
    changed();
  });
  dark.addEventListener("change", changed);
  changed();
  return { isDark: isDark };
})();
