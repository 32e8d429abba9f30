/* Starts the page: the table of loudness first, the map when it is opened, the arrays behind the level sliders with theirs. */
(function () {
  "use strict";
  var asked = {};
  function once(id, start) {
    var fold = page.$(id);
    if (!fold) { return; }
    function open() {
      if (!fold.open || asked[id]) { return; }
      asked[id] = true;
      start().then(function () { fold.setAttribute("data-ready", ""); });
    }
    fold.addEventListener("toggle", open);
    open();
  }
  once("map", function () {
    return Promise.all([page.loadLibrary(), page.loadMaps()]).then(page.drawMap).catch(function (error) {
      page.$("map-figure").classList.remove("is-live");
      page.$("map-frame").hidden = true;
      page.$("map-readout").textContent = error.message + " The drawing and the tables hold the same figures.";
    });
  });
  once("levels", function () {
    return (page.startWhatIf ? page.startWhatIf() : Promise.resolve()).catch(function (error) {
      page.$("what-if").textContent = "The levels cannot be tried in this browser. " + error.message;
    });
  });
  /* Opened, a page asks for nothing.  Loaded again from a disk, it asks whether a next revision's rough mix lies there:
     the only kind of file that can be seen from here. */
  function look(number) {
    var id = "r" + String(number).padStart(3, "0"), mix = new Audio(), link = document.createElement("a");
    mix.preload = "metadata";
    mix.addEventListener("loadedmetadata", function () {
      link.href = page.data.beat + "-" + id + ".html";
      link.textContent = id;
      page.$("newer").replaceChildren(link, " is newer and lies beside this page.");
      page.$("newer").hidden = false;
      look(number + 1);
    });
    mix.src = page.data.beat + "-" + id + "/" + page.data.beat + "-rough-mix.flac";
  }
  var way = performance.getEntriesByType("navigation")[0];
  if (location.protocol === "file:" && way && way.type === "reload") { look(Number(page.data.revision.slice(1)) + 1); }
  if (location.hash && page.$(location.hash.slice(1))) {
    var fold = page.$(location.hash.slice(1)).closest("details");
    if (fold) { fold.open = true; fold.scrollIntoView(); }
  }
  page.$("annex").addEventListener("click", function () {
    var folds = page.all("main details:not([open])");
    folds.forEach(function (each) { each.open = true; });
    addEventListener("afterprint", function () { folds.forEach(function (each) { each.open = false; }); }, { once: true });
    print();
  });
  (page.sound && page.data.energies ? page.sound.measure() : Promise.resolve()).catch(function () { /* levels stay as they are */ })
    .then(function () { document.documentElement.setAttribute("data-ready", "all"); });
})();
