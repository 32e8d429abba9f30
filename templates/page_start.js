/* Starts the page: maps and plotting library, the plots, then the arrays behind the sliders. */
(function () {
  "use strict";
  function settled(state) { document.documentElement.setAttribute("data-ready", state); }
  Promise.all([page.loadLibrary(), page.loadMaps()])
    .then(function () { return page.drawPlots(); })
    .catch(function (error) {
      page.all(".is-live").forEach(function (figure) { figure.classList.remove("is-live"); });
      page.all(".live").forEach(function (place) { place.hidden = true; });
      page.$("map-readout").textContent = error.message + " The drawing and the tables hold the same figures.";
    })
    .then(function () {
      settled("plots");
      return page.startWhatIf ? page.startWhatIf() : null;
    })
    .catch(function (error) {
      var place = page.$("what-if");
      if (place) { place.textContent = "The levels cannot be tried in this browser. " + error.message; }
    })
    .then(function () { settled("all"); });
})();
