/* The player: layers of one excerpt, decoded once, started on one clock, mixed here.
   Every layer has the same length, so that they stay together; what is not heard runs along at gain zero, and a switch
   between treated and untreated is a change of gain.  Levels start quiet.  Without WebAudio the plain audio elements
   of the page stay in sight instead. */
(function () {
  "use strict";
  var bar = page.$("player"), Context = window.AudioContext || window.webkitAudioContext;
  var sounds = page.data.sounds, byId = {}, layers = [], untreated = {};
  if (!bar || !Context) { return; }

  sounds.forEach(function (sound, i) {
    sound.at = i;
    byId[sound.id] = sound;
    if (sound.group === "layer") { layers.push(sound); }
    if (sound.group === "untreated") { untreated[sound.of] = sound; }
  });
  if (!layers.length) { return; }

  var RAMP = 0.012, START = layers[0].start, LENGTH = layers[0].duration, map = page.data.map;
  var state = { playing: false, loop: true, plain: {}, matched: false, volume: -18, only: null, alone: false, off: {}, moved: {} };
  var context = null, master = null, voices = {}, startedAt = 0, position = 0, frame = 0, turn = 0;
  var play = page.$("play"), seek = page.$("seek"), status = page.$("player-status"), time = page.$("player-time"), what = page.$("player-what");
  var treatedBox = page.$("treated"), matchedBox = page.$("matched");

  document.documentElement.classList.add("sound");
  bar.hidden = false;
  treatedBox.checked = true;
  if (!Object.keys(untreated).length) { treatedBox.closest("p").hidden = true; matchedBox.closest("p").hidden = true; }

  function linear(db) { return db <= -48 ? 0 : Math.pow(10, db / 20); }
  function barAt(seconds) { return 1 + (START + seconds - map.firstSlot) / (map.slotSeconds * map.slotsPerBar); }
  page.excerptBars = function () { return [barAt(0), barAt(LENGTH)]; };

  /* The gain of a sound for what the reader wants to hear. */
  function wanted(sound) {
    var db = sound.gain, owner = sound.group === "untreated" ? sound.of : sound.id, audible;
    db += state.moved[owner] || 0;
    if (sound.group === "untreated" && state.matched) { db += sound.matched; }
    if (state.only !== null) {
      var only = byId[state.only];
      if (state.alone) { audible = sound.id === state.only; }
      else if (only.group === "layer") { audible = sound.group === "layer"; }
      else { audible = sound.id === state.only || sound.id === "instrumental" || (only.of && sound.group === "layer" && sound.id !== only.of); }
      return audible ? linear(db) : 0;
    }
    if (sound.group === "layer") { audible = !state.off[sound.id] && !state.plain[sound.id]; }
    else if (sound.group === "untreated") { audible = !state.off[sound.of] && Boolean(state.plain[sound.of]); }
    else { audible = false; }
    return audible ? linear(db) : 0;
  }
  function needed(sound) { return sound.group !== "candidate" || sound.id === state.only; }

  function decode(sound) {
    if (sound.buffer) { return Promise.resolve(sound.buffer); }
    var element = document.querySelector("audio[data-sound='" + sound.at + "']");
    var data = page.bytes(element.getAttribute("src").split(",")[1]);
    return context.decodeAudioData(data.buffer).then(function (buffer) {
      /* Some decoders keep the encoder's padding: skip it. */
      sound.buffer = buffer;
      sound.lead = Math.max(0, Math.min(0.1, buffer.duration - LENGTH > 0.03 ? 1105 / buffer.sampleRate : 0));
      return buffer;
    });
  }
  function ready() {
    if (!context) {
      context = new Context();
      master = context.createGain();
      master.gain.value = 0;
      master.connect(context.destination);
    }
    return context.resume().then(function () { return Promise.all(sounds.filter(needed).map(decode)); });
  }
  function voice(sound, when, from) {
    var source = context.createBufferSource(), gain = context.createGain();
    source.buffer = sound.buffer;
    source.loop = state.loop;
    source.loopStart = sound.lead;
    source.loopEnd = Math.min(sound.buffer.duration, sound.lead + LENGTH);
    gain.gain.value = wanted(sound);
    source.connect(gain);
    gain.connect(master);
    source.start(when, sound.lead + from);
    voices[sound.id] = { source: source, gain: gain };
    return source;
  }
  function silence() {
    Object.keys(voices).forEach(function (id) {
      voices[id].source.onended = null;
      try { voices[id].source.stop(); } catch (error) { /* it had not begun */ }
      voices[id].source.disconnect();
      voices[id].gain.disconnect();
    });
    voices = {};
  }
  function now() {
    if (!state.playing) { return position; }
    var at = context.currentTime - startedAt;
    return state.loop ? ((at % LENGTH) + LENGTH) % LENGTH : Math.min(LENGTH, Math.max(0, at));
  }
  function start(from) {
    var mine = (turn += 1);
    status.textContent = context ? "" : "Preparing the sound\u2026";
    return ready().then(function () {
      if (mine !== turn) { return; }
      silence();
      var when = context.currentTime + 0.03, first = null;
      sounds.filter(needed).forEach(function (sound) { var source = voice(sound, when, from); first = first || source; });
      first.onended = function () { if (!state.loop) { stop(); position = 0; show(); } };
      startedAt = when - from;
      state.playing = true;
      status.textContent = "";
      master.gain.setTargetAtTime(linear(state.volume), context.currentTime, RAMP);
      show();
      tick();
    }).catch(function () {
      document.documentElement.classList.remove("sound");
      status.textContent = "This browser cannot decode the sounds; plain players stand at the end of the page.";
    });
  }
  function stop() {
    turn += 1;
    position = now();
    state.playing = false;
    if (master) { master.gain.setTargetAtTime(0, context.currentTime, RAMP); }
    silence();
    cancelAnimationFrame(frame);
    show();
  }
  function mix() {
    Object.keys(voices).forEach(function (id) {
      voices[id].gain.gain.setTargetAtTime(wanted(byId[id]), context.currentTime, RAMP);
    });
    show();
  }
  /* Change what is heard: by gains alone if every voice runs already, else by starting the missing ones in sync. */
  function change() {
    if (state.playing && sounds.filter(needed).some(function (sound) { return !voices[sound.id]; })) {
      var mine = (turn += 1);
      ready().then(function () {
        if (mine !== turn || !state.playing) { return; }
        var when = context.currentTime + 0.03, from = (now() + 0.03) % LENGTH;
        sounds.filter(needed).forEach(function (sound) { if (!voices[sound.id]) { voice(sound, when, from); } });
        mix();
      });
      show();
    } else { mix(); }
  }

  /* How many treated parts are heard untreated. */
  function plainCount() { return Object.keys(untreated).filter(function (id) { return state.plain[id]; }).length; }
  function setAll(treated) { Object.keys(untreated).forEach(function (id) { state.plain[id] = !treated; }); }

  function name() {
    if (state.only !== null) { return byId[state.only].label + (state.alone ? ", alone" : ", in the beat"); }
    if (!Object.keys(untreated).length) { return "rough mix"; }
    var plain = plainCount(), all = Object.keys(untreated).length;
    return "rough mix, " + (plain === 0 ? "treated" : plain === all ? "untreated" : "partly treated") + (state.matched ? ", matched" : "");
  }
  function show() {
    var at = now(), shown = barAt(at + 1e-6), beat = Math.floor((shown % 1) * map.beatsPerBar) + 1;
    play.textContent = state.playing ? "Pause" : "Play";
    play.setAttribute("aria-pressed", String(state.playing));
    what.textContent = name();
    time.textContent = "bar " + Math.floor(shown) + ", beat " + beat;
    seek.value = String(at / LENGTH);
    seek.setAttribute("aria-valuetext", "bar " + Math.floor(shown) + ", beat " + beat);
    treatedBox.checked = plainCount() === 0;
    treatedBox.indeterminate = plainCount() > 0 && plainCount() < Object.keys(untreated).length;
    matchedBox.checked = state.matched;
    page.mapPlayhead(state.playing || at > 0 ? barAt(at) : null);
    page.all("[data-play]").forEach(function (button) {
      var on = state.playing && state.only === (button.getAttribute("data-play") || null) && state.alone === (button.getAttribute("data-in") === "alone");
      button.setAttribute("aria-pressed", String(on));
    });
    page.all("[data-ab]").forEach(function (button) {
      var on = state.playing && state.only === null && !state.plain[button.getAttribute("data-ab")] === (button.getAttribute("data-side") === "treated");
      button.setAttribute("aria-pressed", String(on));
    });
    page.$("whole-mix").hidden = state.only === null;
    page.$("layers").disabled = state.only !== null;
  }
  var calm = matchMedia("(prefers-reduced-motion: reduce)"), lastSlot = -1;
  function tick() {
    if (!state.playing) { return; }
    var slot = Math.floor(now() / map.slotSeconds);
    if (slot !== lastSlot) { lastSlot = slot; show(); }
    else if (!calm.matches) { page.mapPlayhead(barAt(now())); seek.value = String(now() / LENGTH); }
    frame = requestAnimationFrame(tick);
  }

  function move(seconds) {
    var at = Math.min(LENGTH - 0.001, Math.max(0, seconds));
    if (state.playing) { start(at); } else { position = at; show(); }
  }
  page.seekBar = function (wantedBar, andPlay) {
    var seconds = (wantedBar - 1) * map.slotSeconds * map.slotsPerBar + map.firstSlot - START, span = page.excerptBars();
    if (seconds < -0.001 || seconds >= LENGTH) {
      status.textContent = "The sound in this page covers bars " + Math.round(span[0]) + " to " + Math.round(span[1] - 1) + "; bar "
        + Math.floor(wantedBar + 1e-6) + " lies outside it.";
      return;
    }
    status.textContent = "";
    if (andPlay && !state.playing) { start(Math.max(0, seconds)); } else { move(seconds); }
  };
  page.setLayerGain = function (id, change_db) { state.moved[id] = change_db; mix(); };
  page.playerState = function () {
    var gains = {};
    Object.keys(voices).forEach(function (id) { gains[id] = wanted(byId[id]); });
    return { playing: state.playing, position: now(), only: state.only, alone: state.alone, treated: plainCount() === 0, gains: gains,
      leads: sounds.map(function (s) { return s.buffer ? [s.id, s.buffer.duration, s.lead] : null; }).filter(Boolean) };
  };

  function toggle() { if (state.playing) { stop(); } else { start(position >= LENGTH - 0.01 ? 0 : position); } }
  function hear(only, alone) {
    state.only = only; state.alone = alone;
    if (state.playing) { change(); } else { start(position); }
  }
  play.addEventListener("click", toggle);
  seek.addEventListener("input", function () { move(Number(seek.value) * LENGTH); });
  page.$("volume").addEventListener("input", function (event) {
    state.volume = Number(event.target.value);
    event.target.setAttribute("aria-valuetext", state.volume <= -48 ? "silent" : format.unit(state.volume, 0, "dB"));
    if (master && state.playing) { master.gain.setTargetAtTime(linear(state.volume), context.currentTime, RAMP); }
  });
  treatedBox.addEventListener("change", function () { setAll(treatedBox.checked); mix(); });
  matchedBox.addEventListener("change", function () { state.matched = matchedBox.checked; mix(); });
  page.$("loop").addEventListener("change", function (event) {
    var at = now();
    state.loop = event.target.checked;
    if (state.playing) { start(at); }
  });
  page.all("[data-layer]").forEach(function (box) {
    box.addEventListener("change", function () { state.off[box.getAttribute("data-layer")] = !box.checked; mix(); });
  });
  page.$("whole-mix").addEventListener("click", function () { state.only = null; state.alone = false; change(); });
  page.all("[data-play]").forEach(function (button) {
    button.addEventListener("click", function () {
      if (button.getAttribute("aria-pressed") === "true") { stop(); return; }
      hear(button.getAttribute("data-play") || null, button.getAttribute("data-in") === "alone");
    });
  });
  page.all("[data-ab]").forEach(function (button) {
    button.addEventListener("click", function () {
      if (button.getAttribute("aria-pressed") === "true") { stop(); return; }
      state.plain[button.getAttribute("data-ab")] = button.getAttribute("data-side") === "untreated";
      hear(null, false);
    });
  });

  /* Letters work only while the player has the focus, so that dictation never triggers them. */
  bar.addEventListener("keydown", function (event) {
    if (event.ctrlKey || event.altKey || event.metaKey) { return; }
    if (event.key === "t" || event.key === "T") { setAll(plainCount() > 0); mix(); }
    if (event.key === "m" || event.key === "M") { state.matched = !state.matched; mix(); }
    if (event.key === "Escape") { page.$("player-more").open = false; }
  });
  document.addEventListener("keydown", function (event) {
    if (event.key === " " && document.activeElement === document.body) { event.preventDefault(); toggle(); }
  });
  show();
  page.placeMap();
})();
