/* Two revisions of one beat, compared blind by their rough mixes beside the page: `page_blind.js` asks, this file plays
   the part that a listener remembers, over and over, and saves the rounds as an answer to the newer one.  A page that was
   opened from a file may not read other files, so both run at once and are switched by their volumes. */
(function () {
  "use strict";
  var open = document.getElementById("blind-open"), sounds = {}, from = 0, length = 0, newer = null, now = "", probe = new Audio();
  page.data = { comparisons: [] };
  page.answerChanged = function () { /* kept only where it is saved */ };
  page.listening = function () { return { which: now }; };
  function both(act) { Object.keys(sounds).forEach(function (id) { act(sounds[id], id); }); }
  function start() { both(function (each) { each.currentTime = from; each.play().catch(function () { /* paused again */ }); }); }
  /* The silent one catches up unheard, by its speed: a seek would tear a hole. */
  function follow() {
    var lead = Object.keys(sounds).map(function (id) { return sounds[id]; }).filter(function (each) { return each.volume; })[0];
    if (lead.currentTime >= from + length) { both(function (each) { each.currentTime = from; }); return; }
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
    var fits = probe.volume === 0.5 && sides && sides.every(function (side) { return side.revision.mix && side.revision.hook[2] !== null; }) &&
      sides[0].beat === sides[1].beat && sides[0].place !== sides[1].place &&
      [0, 1].every(function (i) { return Math.abs(sides[0].revision.hook[i] - sides[1].revision.hook[i]) < 0.05; });
    open.hidden = page.$("blind-how").hidden = !fits;
    if (!fits) { return; }
    newer = sides[sides[0].place > sides[1].place ? 0 : 1];
    var older = sides[newer === sides[0] ? 1 : 0].revision, quiet = Math.min(older.hook[2], newer.revision.hook[2]), hashes = {};
    both(function (each) { each.pause(); });
    sounds = {};
    from = newer.revision.hook[0];
    length = newer.revision.hook[1];
    sides.forEach(function (side) {
      var made = new Audio();
      made.preload = "none";
      made.src = side.revision.mix;
      made.addEventListener("timeupdate", follow);
      made.addEventListener("error", function () { page.$("blind-count").textContent = "A rough mix cannot be played."; });
      made.addEventListener("ended", function () { if (now) { start(); } });
      sounds[side.revision.id] = made;
    });
    page.data.comparisons = [{ id: older.id, sounds: hashes, sides: [newer.revision, older].map(function (revision) {
      var gains = {};
      gains[revision.id] = quiet - revision.hook[2];
      hashes[revision.id] = revision.identity;
      return { id: revision.id, gains_db: gains };
    }) }];
    page.blindRuns([]);
    page.$("blind-pair").textContent = "";
    page.$("blind-pair").appendChild(new Option(newer.revision.id + " / " + older.id));
  };
  page.$("blind-save").addEventListener("click", function () {
    var name = newer.beat.slug + "-" + newer.revision.id + "-response.json";
    page.saveFile(name, JSON.stringify({
      format: "dossier response", format_version: 2, id: page.newId(), beat: newer.beat.slug, revision: newer.revision.id,
      identity: newer.revision.identity, name: page.$("blind-name").value.trim(), made: page.stamp(), marks: [], notes: "",
      gains_db: {}, blind: page.blindRuns()
    }, null, 1) + "\n", "application/json");
    page.$("blind-saved").textContent = "Saved as " + name + ". Take it in with dossier decide --response.";
  });
})();
