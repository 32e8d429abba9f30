/* Compare blind: two versions under letters that are drawn anew for each round, equally loud (by gains that were measured
   on the sounds as they decode) and in sync, so that a switch is a change of gains.  Nothing is told before the end. */
(function () {
  "use strict";
  var box = page.$("blind"), runs = [], run = null, pair = null, now = null, met = {}, before = "";
  page.blindRuns = function (kept) {
    if (Array.isArray(kept)) { runs = kept.filter(function (each) { return each && sidesOf(each) && Array.isArray(each.rounds); }); }
    return runs;
  };
  /* Tests put a seeded one in its place. */
  page.coin = function () { return crypto.getRandomValues(new Uint8Array(1))[0] & 1; };
  page.drawRound = function (sides, task) {
    return { a: sides[page.coin()].id, said: "", x: task === "discrimination" ? "AB"[page.coin()] : "" };
  };
  function pairOf(each) { return page.data.comparisons.filter(function (one) { return one.id === each.comparison; })[0]; }
  function sidesOf(each) { return pairOf(each) && pairOf(each).sides; }
  function under(sides, round, letter) { return sides[(round.a === sides[0].id) === (letter === "A") ? 0 : 1]; }
  function answers(each) {
    return each.rounds.map(function (round) {
      if (each.task === "discrimination") { return round.said === round.x ? "right" : "wrong"; }
      return round.said === "no difference" ? round.said : under(sidesOf(each), round, round.said).id;
    });
  }
  /* Exact binomial probability at one half of this or better; two-sided for a preference. */
  page.coinShare = function (hits, of, twoSided) {
    var tail = 0, ways = 1, most = twoSided ? Math.max(hits, of - hits) : hits;
    for (var k = of; k >= most; k -= 1) { tail += ways; ways = ways * k / (of - k + 1); }
    tail /= Math.pow(2, of);
    return twoSided ? Math.min(1, 2 * tail) : tail;
  };
  function often(share) {
    return share >= 0.0095 ? Math.floor(100 * share + 0.5) + " of 100" : share >= 0.00095 ? Math.floor(1000 * share + 0.5) + " of 1,000" : "less than 1 of 1,000";
  }
  /* As `view_ears.told` words it. */
  page.blindSays = function (each) {
    var said = answers(each), names = sidesOf(each).map(function (side) { return side.id; }), choosing = each.task === "preference";
    function count(what) { return said.filter(function (one) { return one === what; }).length; }
    var same = count("no difference"), of = said.length - same, hits = choosing ? names.map(count) : [count("right"), count("wrong")];
    var first = hits[0] >= hits[1] ? 0 : 1, text;
    if (!choosing) { text = "told " + names[0] + " from " + names[1] + " in " + hits[0] + " of " + of; }
    else if (!of) { text = "heard no difference between " + names[0] + " and " + names[1] + " in " + same + " of " + same; }
    else { text = "preferred " + names[first] + (2 * hits[first] === of ? " as often as " + names[1 - first] + ", " + hits[first] + " of " + of + " each" :
      " to " + names[1 - first] + " in " + hits[first] + " of " + of) + (same ? ", no difference in " + same + " more" : ""); }
    if (said.length < each.planned) { return text + "; stopped after " + said.length + " of " + each.planned + " rounds"; }
    return of && !(choosing && 2 * hits[0] === of) ? text + "; a coin would do this in " + often(page.coinShare(hits[choosing ? first : 0], of, choosing)) : text;
  };
  /* As `read_pasted` reads them. */
  page.blindLines = function () {
    return runs.map(function (each) {
      var sounds = Object.keys(each.sounds).map(function (id) { return each.sounds[id].slice(0, 12); }).sort().join(" ");
      var about = [each.comparison, each.task, each.planned + " rounds planned", each.made, "sounds " + sounds].join(", ");
      return "- compared blind: " + page.blindSays(each) + " (" + [about].concat(each.rounds.map(function (round) {
        return "A was " + round.a + (round.x ? ", X was " + round.x : "") + ", said " + round.said;
      })).join("; ") + ")";
    });
  };
  if (!page.sound || !box) { return; }

  var choices = page.all("[data-said]", box), letters = page.all("[data-letter]", box);
  function show(id) { ["setup", "round", "result"].forEach(function (each) { page.$("blind-" + each).hidden = each !== id; }); }
  function mark(letter) {
    letters.forEach(function (button) { button.setAttribute("aria-pressed", String(button.getAttribute("data-letter") === letter)); });
    var heard = letters.every(function (button) { return button.hidden || met[button.getAttribute("data-letter")]; });
    choices.forEach(function (button) { button.disabled = !heard; });
  }
  function hear(letter) {
    var side = under(pair.sides, now, letter === "X" ? now.x : letter), gains = {};
    pair.sides.forEach(function (each) { Object.keys(each.gains_db).forEach(function (id) { gains[id] = 0; }); });
    Object.keys(side.gains_db).forEach(function (id) { gains[id] = Math.pow(10, side.gains_db[id] / 20); });
    met[letter] = true;
    mark(letter);
    return page.hearGains(gains, "blind: " + letter);
  }
  function ask() {
    now = page.drawRound(pair.sides, run.task);
    met = {};
    page.hearGains(null, "blind");
    mark("");
    page.$("blind-count").textContent = "Round " + (run.rounds.length + 1) + " of " + run.planned + ".";
    letters[0].focus();
  }
  function end() {
    var done = run;
    run = null;
    page.hearGains(null, before);
    if (!done.rounds.length) { show("setup"); return; }
    runs.push(done);
    page.$("blind-told").textContent = "You " + page.blindSays(done) + "." + (pair.advised ? " Advised: " + pair.advised + "." : pair.advised === "" ? " The advice holds both to be as good." : "");
    show("result");
    page.$("blind-told").focus();
    page.answerChanged();
  }
  page.$("blind-open").addEventListener("click", function () {
    before = page.listening().which;
    page.sound.stop();
    show("setup");
    box.showModal();
  });
  page.$("blind-start").addEventListener("click", function () {
    pair = page.data.comparisons[page.$("blind-pair").selectedIndex];
    run = { comparison: pair.id, task: page.$("blind-task").value, made: page.stamp(),
      planned: Number(page.$("blind-planned").value), rounds: [], sounds: pair.sounds };
    page.all("[data-task]", box).forEach(function (each) { each.hidden = each.getAttribute("data-task") !== run.task; });
    show("round");
    ask();
  });
  letters.forEach(function (button) { button.addEventListener("click", function () { hear(button.getAttribute("data-letter")); }); });
  choices.forEach(function (button) {
    button.addEventListener("click", function () {
      now.said = button.getAttribute("data-said");
      run.rounds.push(now);
      if (run.rounds.length < run.planned) { ask(); } else { end(); }
    });
  });
  box.addEventListener("keydown", function (event) {
    var button = letters.filter(function (each) { return each.getAttribute("data-letter") === event.key.toUpperCase(); })[0];
    if (run && button && !button.hidden && !event.ctrlKey && !event.metaKey && !event.altKey) { button.focus(); hear(event.key.toUpperCase()); }
  });
  page.$("blind-stop").addEventListener("click", end);
  page.$("blind-again").addEventListener("click", function () { show("setup"); });
  page.$("blind-close").addEventListener("click", function () { box.close(); });
  box.addEventListener("cancel", function (event) { if (run) { event.preventDefault(); end(); } });
  box.addEventListener("close", function () { if (run) { end(); } page.$("blind-open").focus(); });
})();
