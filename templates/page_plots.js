/* Unpacks the plotting library, adds it as an inline script of known hash, and replaces the stills by live plots. */
(function () {
  "use strict";
  var plots = {};

  function live(figure, place) {
    figure.classList.add("is-live");
    place.hidden = false;
  }
  function drawLevels() {
    var figure = page.data.figures.levels, place = page.$("levels-plot");
    if (!figure || !place) { return Promise.resolve(); }
    live(page.$("levels-figure"), place);
    var painted = page.painted(figure);
    plots.levels = place;
    return Plotly.newPlot(place, painted.data, painted.layout, { displayModeBar: false, responsive: true, doubleClick: false });
  }
  function drawMap() {
    if (!page.data.map.slots) { return Promise.resolve(); }
    live(page.$("map-figure"), page.$("map-frame"));
    plots.map = page.$("map-plot");
    return page.drawMap();
  }
  page.loadLibrary = function () {
    var packed = page.$("plot-library");
    return page.gunzip(packed.textContent).then(function (buffer) {
      var script = document.createElement("script");
      script.textContent = new TextDecoder("utf-8").decode(buffer);
      document.head.appendChild(script);
      packed.remove();
      if (typeof Plotly === "undefined") { throw new Error("The plots could not be started; the drawings and tables hold the same."); }
    });
  };
  page.drawPlots = function () { return Promise.all([drawMap(), drawLevels()]); };
  document.addEventListener("themechange", function () { if (plots.map || plots.levels) { page.drawPlots(); } });

  page.all("[data-save-plot]").forEach(function (button) {
    button.addEventListener("click", function () {
      var place = plots[button.getAttribute("data-save-plot")];
      if (!place) { return; }
      var format = button.getAttribute("data-format");
      Plotly.downloadImage(place, { format: format, filename: page.baseName() + "-" + button.getAttribute("data-save-plot"), scale: 2,
        width: Math.max(900, place.clientWidth), height: place.clientHeight });
    });
  });
})();
