/* Listening: what the switches, the sliders and the play buttons of the page mean in gains of layers.  States that are
   compared are as loud as one another, unless the reader wants their true levels. */
(function () {
  "use strict";
  var sound = page.sound, box = page.$("listen-controls");
  page.mapPlayhead = page.mapPlayhead || function () {};
  if (!sound || !box) { return; }
  var map = page.data.map, groups = { layer: [], untreated: [], other: [] };
  page.data.sounds.forEach(function (each) { if (groups[each.group]) { groups[each.group].push(each); } });
  var state = { which: "treated", blend: 0, matched: true, moved: {} };
  var play = page.$("play"), seek = page.$("seek"), time = page.$("time"), says = page.$("says"), blend = page.$("blend");
  var volume = page.$("volume"), strip = page.$("playing"), quiet = says.textContent;
  document.documentElement.classList.add("sound");

  function linear(db) { return Math.pow(10, db / 20); }
  function gainOf(each, owner) {
    return linear(each.gain + (each.id === "instrumental" ? 0 : state.blend + (state.moved[owner || each.id] || 0)));
  }
  /* How much louder the treated part is than the same part as it was. */
  function made(each) {
    var one = {}, other = {};
    one[each.of] = 1;
    other[each.id] = 1;
    var now = sound.loudness(one), before = sound.loudness(other);
    return now === null || before === null ? 0 : now - before;
  }
  function mix(which) {
    var gains = {}, parts = which.split(":"), kind = parts[0], id = which.slice(kind.length + 1), byId = sound.byId;
    function add(each, owner) { gains[each.id] = gainOf(each, owner); }
    if (kind === "alone") { add(byId[id]); return gains; }
    add(byId.instrumental);
    if (kind === "music") { return gains; }
    if (kind === "part") { add(byId[id]); return gains; }
    if (kind === "other") { groups.other.forEach(function (each) { add(each); }); return gains; }
    if (kind === "candidate") {
      groups.layer.forEach(function (each) { if (byId[which].of && each.id !== byId[which].of) { add(each); } });
      add(byId[which]);
      return gains;
    }
    groups.layer.forEach(function (each) { add(each); });
    groups.untreated.forEach(function (each) {
      if (kind === "untreated" || (kind === "before" && each.of === id)) {
        delete gains[each.of];
        gains[each.id] = gainOf(each, each.of) * (state.matched ? linear(made(each)) : 1);
      }
    });
    return gains;
  }
  /* The gains of what is wanted; `page.mixOf` is also what a comparison of other pairs would start from. */
  page.mixOf = function (which) {
    var gains = mix(which), music = sound.loudness(mix("music")), now = sound.loudness(gains);
    var match = state.matched && which.indexOf("alone") && music !== null && now !== null ? linear(music - now) : 1;
    Object.keys(gains).forEach(function (id) { gains[id] *= match; });
    return gains;
  };

  function barAt(seconds) { return 1 + (sound.start + seconds - map.firstSlot) / (map.slotSeconds * map.slotsPerBar); }
  page.excerptBars = function () { return [barAt(0), barAt(sound.length)]; };
  function hear(which, from) {
    state.which = which;
    return sound.hear(page.mixOf(which), from).catch(function () {
      document.documentElement.classList.remove("sound");
      says.textContent = "This browser cannot decode the sound.";
    });
  }
  function again() { if (sound.playing) { hear(state.which); } else { show(); } }
  function toggle() { if (sound.playing) { sound.stop(); } else { hear(state.which); } }

  function name() {
    var radio = box.querySelector("input[name='hear'][value='" + state.which + "']");
    if (radio) { return radio.parentNode.textContent.trim(); }
    var kind = state.which.split(":")[0], id = state.which.slice(kind.length + 1);
    var layer = sound.byId[state.which] || sound.byId[id];
    return !layer ? state.which : layer.label + (kind === "alone" ? ", alone" : kind === "before" ? ", before" : "");
  }
  function show() {
    var at = sound.position(), bar = barAt(at + 1e-6), beat = Math.floor((bar % 1) * map.beatsPerBar) + 1;
    var own = Object.keys(state.moved).some(function (id) { return Math.abs(state.moved[id]) >= 0.05; });
    play.textContent = sound.playing ? "Pause" : "Play";
    time.textContent = "bar " + Math.floor(bar) + "." + beat;
    seek.value = String(at / sound.length);
    seek.setAttribute("aria-valuetext", "bar " + Math.floor(bar) + ", beat " + beat);
    page.$("blend-says").textContent = state.blend ? format.unit(state.blend, 1, "dB", true) : "as advised";
    says.textContent = own ? "You hear the levels that you set under Level balance." : quiet;
    page.$("playing-what").textContent = name();
    page.all("input[name='hear']").forEach(function (radio) { radio.checked = radio.value === state.which; });
    page.all("[data-play]").forEach(function (button) {
      var on = sound.playing && state.which === button.getAttribute("data-play");
      button.setAttribute("aria-pressed", String(on));
      button.firstChild.textContent = on ? "Pause" : button.getAttribute("data-word") || "Play";
    });
    page.mapPlayhead(sound.playing || at > 0 ? barAt(at) : null);
    place();
  }
  var frame = 0, last = -1, calm = matchMedia("(prefers-reduced-motion: reduce)");
  function tick() {
    var slot = Math.floor(sound.position() / map.slotSeconds);
    if (slot !== last) { last = slot; show(); } else if (!calm.matches) { page.mapPlayhead(barAt(sound.position())); }
    if (sound.playing) { frame = requestAnimationFrame(tick); }
  }
  sound.changed = function () { cancelAnimationFrame(frame); show(); if (sound.playing) { tick(); } };

  /* While the controls are out of sight, a strip says what plays and stops it; the page leaves room for it. */
  var inSight = true;
  function place() {
    strip.hidden = !sound.playing || inSight;
    document.documentElement.classList.toggle("stripped", !strip.hidden);
  }
  new IntersectionObserver(function (seen) { inSight = seen[seen.length - 1].isIntersecting; place(); }).observe(box);
  document.addEventListener("focusin", function (event) {
    var low = event.target.getBoundingClientRect().bottom;
    if (!strip.hidden && !strip.contains(event.target) && low > strip.getBoundingClientRect().top) {
      scrollBy({ top: low - strip.getBoundingClientRect().top + 8, behavior: "instant" });
    }
  });

  page.seekBar = function (bar, andPlay) {
    var seconds = (bar - 1) * map.slotSeconds * map.slotsPerBar + map.firstSlot - sound.start, span = page.excerptBars();
    if (seconds < -0.001 || seconds >= sound.length) {
      return "The sound in this page covers bars " + Math.round(span[0]) + " to " + Math.round(span[1] - 1) + ".";
    }
    if (sound.playing || andPlay) { hear(state.which, Math.max(0, seconds)); } else { sound.move(seconds); }
    return "";
  };
  page.setLayerGain = function (id, db) { state.moved[id] = db; again(); };
  /* Gains that are no switch's, under a name of their own; null is silence. */
  page.hearGains = function (gains, name) {
    state.which = name;
    return gains ? sound.hear(gains) : sound.stop();
  };
  page.listening = function () { return { which: state.which, matched: state.matched, blend: state.blend, volume: Number(volume.value) }; };

  /* Never louder than the reader left it. */
  volume.value = String(Math.min(-8, Number(page.kept("dossier-volume") || -8)));
  function turn() {
    var db = Number(volume.value);
    sound.setVolume(db <= -40 ? 0 : linear(db));
    volume.setAttribute("aria-valuetext", db <= -40 ? "silent" : format.unit(db, 0, "dB"));
  }
  turn();
  volume.addEventListener("input", function () { turn(); page.keep("dossier-volume", volume.value); });
  play.addEventListener("click", toggle);
  page.$("stop").addEventListener("click", function () { sound.stop(); });
  seek.addEventListener("input", function () {
    if (sound.playing) { hear(state.which, Number(seek.value) * sound.length); } else { sound.move(Number(seek.value) * sound.length); }
  });
  blend.addEventListener("input", function () { state.blend = Number(blend.value); again(); });
  page.$("matched").addEventListener("change", function (event) { state.matched = event.target.checked; again(); });
  page.all("input[name='hear']").forEach(function (radio) { radio.addEventListener("change", function () { hear(radio.value); }); });
  page.all("[data-play]").forEach(function (button) {
    button.addEventListener("click", function () {
      if (button.getAttribute("aria-pressed") === "true") { sound.stop(); } else { hear(button.getAttribute("data-play")); }
    });
  });
  document.addEventListener("keydown", function (event) {
    if (event.key === " " && document.activeElement === document.body) { event.preventDefault(); toggle(); }
  });
  show();
})();
