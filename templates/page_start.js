/* Starts the page: maps first, then the plots. */
(function () {
  "use strict";
  page.ready = page.loadMaps()
    .then(function () { return page.loadLibrary(); })
    .then(function () { return page.drawPlots(); })
    .catch(function (error) {
      page.all(".is-live").forEach(function (figure) { figure.classList.remove("is-live"); });
      page.$("map-readout").textContent = error.message + " The drawing and the tables hold the same figures.";
    })
    .then(function () { document.documentElement.setAttribute("data-ready", "plots"); });
})();
