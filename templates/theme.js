(function () {
  "use strict";
  var root = document.documentElement;
  root.classList.add("js");
  try {
    var theme = localStorage.getItem("dossier-theme");
    if (theme === "dark" || theme === "light") { root.setAttribute("data-theme", theme); }
  } catch (error) { /* storage may be closed to files; the reader's preference holds */ }
})();
