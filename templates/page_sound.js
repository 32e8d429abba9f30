/* Sound: layers of one excerpt in sync, decoded once, started on one clock and mixed by gain alone, so that a switch
   falls on the same sample in all of them.  What the layers mean is not known here. */
(function () {
  "use strict";
  var Context = window.AudioContext || window.webkitAudioContext, sounds = page.data.sounds, byId = {}, table = null;
  if (!Context || !sounds.length) { return; }
  sounds.forEach(function (each, at) { each.at = at; byId[each.id] = each; });
  var LENGTH = sounds[0].duration, AHEAD = 0.03, FADE = 0.008;
  var context = null, master = null, voices = {}, startedAt = 0, position = 0, turn = 0, volume = 1;
  var sound = page.sound = { playing: false, length: LENGTH, start: sounds[0].start, byId: byId, changed: function () {} };

  function decode(id) {
    var each = byId[id];
    if (each.buffer) { return each.buffer; }
    var data = page.bytes(document.querySelector("[data-sound='" + each.at + "']").textContent);
    each.buffer = context.decodeAudioData(data.buffer).then(function (buffer) {
      /* Some decoders keep the encoder's padding, some cut the end: all layers get one length. */
      var padding = Math.round(1105 * buffer.sampleRate / each.rate), lead = buffer.duration - LENGTH > 0.03 ? padding : 0;
      var frames = Math.round(LENGTH * buffer.sampleRate);
      each.decoded = context.createBuffer(buffer.numberOfChannels, frames, buffer.sampleRate);
      for (var c = 0; c < buffer.numberOfChannels; c += 1) {
        each.decoded.copyToChannel(buffer.getChannelData(c).subarray(lead, lead + frames), c);
      }
    });
    return each.buffer;
  }
  function ready(ids) {
    if (!context) {
      context = new Context();
      master = context.createGain();
      master.gain.value = 0;
      master.connect(context.destination);
    }
    context.resume(); /* without a sound device it may never be done */
    return Promise.all(ids.map(decode));
  }
  function begin(id, when, from) {
    var each = byId[id], source = context.createBufferSource(), gain = context.createGain();
    source.buffer = each.decoded;
    source.loop = true;
    gain.gain.value = 0;
    source.connect(gain).connect(master);
    source.start(when, from);
    voices[id] = { source: source, gain: gain.gain, now: 0 };
  }
  function end(when) {
    Object.keys(voices).forEach(function (id) { try { voices[id].source.stop(when); } catch (error) { /* not begun */ } });
    voices = {};
  }
  function at(time) { return (((time - startedAt) % LENGTH) + LENGTH) % LENGTH; }

  sound.position = function () { return sound.playing ? at(context.currentTime) : position; };
  /* Hear these linear gains, by id, at once (those of 0 run along silently); from a place in seconds where one is given. */
  sound.hear = function (gains, from) {
    var mine = (turn += 1), ids = Object.keys(gains);
    return ready(ids).then(function () {
      if (mine !== turn) { return; }
      var when = context.currentTime + AHEAD;
      if (!sound.playing || from !== undefined) {
        end(when);
        startedAt = when - (from === undefined ? position : from);
      }
      ids.forEach(function (id) { if (!voices[id]) { begin(id, when, at(when)); } });
      Object.keys(voices).forEach(function (id) {
        var voice = voices[id], next = gains[id] || 0;
        voice.gain.cancelScheduledValues(when);
        voice.gain.setValueAtTime(voice.now, when);
        voice.gain.linearRampToValueAtTime(next, when + FADE);
        voice.now = next;
      });
      sound.playing = true;
      master.gain.setTargetAtTime(volume, context.currentTime, FADE);
      sound.changed();
    });
  };
  sound.stop = function () {
    turn += 1;
    position = sound.position();
    sound.playing = false;
    if (master) { master.gain.setTargetAtTime(0, context.currentTime, FADE); end(context.currentTime + 4 * FADE); }
    sound.changed();
  };
  sound.move = function (seconds) { position = Math.min(LENGTH - 0.001, Math.max(0, seconds)); sound.changed(); };
  sound.setVolume = function (linear) {
    volume = linear;
    if (sound.playing) { master.gain.setTargetAtTime(volume, context.currentTime, FADE); }
  };
  sound.heard = function () {
    var out = {};
    Object.keys(voices).forEach(function (id) { if (voices[id].now > 0) { out[id] = voices[id].now; } });
    return out;
  };

  /* Loudness in LUFS of any mixture (BS.1770) from what each two layers have in common in every 100 ms. */
  sound.measure = function () {
    return page.unpack(page.data.energies).then(function (found) { table = found; });
  };
  sound.loudness = function (gains) {
    if (!table) { return null; }
    var count = table.shape[1], blocks = new Float64Array(count), ids = Object.keys(gains);
    ids.forEach(function (a) {
      ids.forEach(function (b) {
        var i = Math.max(byId[a].at, byId[b].at), j = Math.min(byId[a].at, byId[b].at), row = (i * (i + 1) / 2 + j) * count;
        for (var k = 0; k < count; k += 1) { blocks[k] += gains[a] * gains[b] * table.values[row + k]; }
      });
    });
    return page.integrated(blocks);
  };
})();
