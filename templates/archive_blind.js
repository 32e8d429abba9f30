/* Two revisions of one beat, compared blind by their rough mixes beside the page: `page_blind.js` asks, this file plays.
   A page that was opened from a file may not read other files, so both run at once and are switched by their volumes. */
var page = {};
(function () {
  "use strict";
  var open = document.getElementById("blind-open"), sounds = {}, from = 0, now = "", probe = new Audio();
  page.$ = function (id) { return document.getElementById(id); };
  page.all = function (selector, inside) { return Array.prototype.slice.call((inside || document).querySelectorAll(selector)); };
  page.data = { comparisons: [] };
  page.answerChanged = function () { /* nothing is kept here */ };
  page.listening = function () { return { which: now }; };
  function both(act) { Object.keys(sounds).forEach(function (id) { act(sounds[id], id); }); }
  function start() { both(function (each) { each.currentTime = from; each.play().catch(function () { /* paused again */ }); }); }
  /* The silent one catches up unheard, by its speed: a seek would tear a hole. */
  function follow() {
    var lead = Object.keys(sounds).map(function (id) { return sounds[id]; }).filter(function (each) { return each.volume; })[0];
    both(function (each) { each.playbackRate = each === lead ? 1 : Math.max(0.5, Math.min(1.5, 1 + 3 * (lead.currentTime - each.currentTime))); });
  }
  page.sound = {
    players: function () { return sounds; },
    stop: function () { page.all("audio").forEach(function (each) { each.pause(); }); }
  };
  page.hearGains = function (gains, which) {
    now = which;
    if (!gains) { both(function (each) { each.pause(); }); return; }
    var running = Object.keys(sounds).every(function (id) { return !sounds[id].paused; });
    both(function (each, id) { each.volume = gains[id]; });
    follow();
    if (!running) { start(); }
  };
  probe.volume = 0.5;
  /* Two sides of the comparison in the page, or none. */
  page.offerBlind = function (sides) {
    var fits = probe.volume === 0.5 && sides && sides.every(function (side) { return side.revision.mix && side.revision.lufs !== null; }) &&
      sides[0].beat === sides[1].beat && sides[0].place !== sides[1].place;
    open.hidden = page.$("blind-how").hidden = !fits;
    if (!fits) { return; }
    var quiet = Math.min(sides[0].revision.lufs, sides[1].revision.lufs);
    both(function (each) { each.pause(); });
    sounds = {};
    from = Math.min(sides[0].revision.hook, sides[1].revision.hook);
    sides.forEach(function (side) {
      var made = new Audio();
      made.preload = "none";
      made.src = side.revision.mix;
      made.addEventListener("timeupdate", follow);
      made.addEventListener("error", function () { page.$("blind-count").textContent = "A rough mix cannot be played."; });
      made.addEventListener("ended", function () { if (now) { start(); } });
      sounds[side.revision.id] = made;
    });
    page.data.comparisons = [{ id: "revisions", sounds: {}, sides: sides.map(function (side) {
      var gains = {};
      gains[side.revision.id] = quiet - side.revision.lufs;
      return { id: side.revision.id, gains_db: gains };
    }) }];
    page.$("blind-pair").textContent = "";
    page.$("blind-pair").appendChild(new Option(sides[0].revision.id + " / " + sides[1].revision.id));
  };
})();
