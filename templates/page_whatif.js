/* What if: the reader moves levels, the page recomputes the figures. */
(function () {
  "use strict";
  var given = page.data.whatIf, place = page.$("what-if");
  page.whatIfGains = function () { return {}; };
  if (!given || !place) { return; }

  var ear = null, slots = 0, bands = 0, music = null, musicLoud = null, musicBlocks = null, parts = [], total = null, loud = null;
  var reference = given.reference, referenceSum = 0, activeCount = 0, loaded = null, apart = 0;

  function powerTable() {
    var table = new Float64Array(256);
    for (var i = 1; i < 256; i += 1) { table[i] = Math.pow(10, (given.powerFloor + i * given.powerStep) / 10); }
    return table;
  }
  /* Slots in which a part sounds: within 100 dB of its loudest. */
  function sounding(powers) {
    var level = new Float64Array(slots), most = 0, rows = [];
    for (var s = 0; s < slots; s += 1) {
      for (var f = 0; f < ear.fine; f += 1) { level[s] += powers[s * ear.fine + f]; }
      most = Math.max(most, level[s]);
    }
    for (s = 0; s < slots; s += 1) { if (level[s] > 0 && level[s] > 1e-10 * most) { rows.push(s); } }
    return rows;
  }

  function setPart(part, gain) {
    part.gain = gain;
    part.exc.fill(0);
    part.loudest = 0;
    part.lost = 0;
    part.rows.forEach(function (s) {
      var at = s * bands;
      ear.excite(part.powers, s * ear.fine, given.splOffset + gain, part.exc, at);
      var alone = 0, heard = 0;
      for (var b = 0; b < bands; b += 1) {
        var n = ear.specific(part.exc[at + b], b);
        part.alone[at + b] = n;
        alone += n;
        if (n > 0) { heard += ear.partial(part.exc[at + b], music[at + b], b, n); }
      }
      part.loud[s] = alone;
      if (given.active[s]) {
        part.lost += alone - heard;
        part.loudest = Math.max(part.loudest, alone);
      }
    });
  }
  function sumUp(changed) {
    var rows = changed ? changed.rows : null, s, b, at;
    function row(s) {
      at = s * bands;
      for (b = 0; b < bands; b += 1) {
        var e = music[at + b];
        for (var i = 0; i < parts.length; i += 1) { e += parts[i].exc[at + b]; }
        total[at + b] = e;
        loud[at + b] = ear.specific(e, b);
      }
    }
    if (rows) { rows.forEach(row); } else { for (s = 0; s < slots; s += 1) { row(s); } }
  }
  /* Loudness of one part among all others, slot by slot; only the slots that a change touches are recomputed. */
  function heardOf(part, changed) {
    part.rows.forEach(function (s) {
      if (changed && changed !== part && !changed.has[s]) { return; }
      var at = s * bands, sum = 0;
      for (var b = 0; b < bands; b += 1) {
        var n = part.alone[at + b];
        if (n > 0) { sum += ear.partial(part.exc[at + b], Math.max(0, total[at + b] - part.exc[at + b]), b, n); }
      }
      part.heard[s] = sum;
    });
  }
  function results() {
    var byBand = new Float64Array(bands);
    for (var s = 0; s < slots; s += 1) {
      if (given.active[s]) { for (var b = 0; b < bands; b += 1) { byBand[b] += loud[s * bands + b]; } }
    }
    var fill = 0;
    byBand.forEach(function (v) { fill += v; });
    var zones = given.zoneWeights.map(function (weights) {
      var have = 0, whole = 0;
      weights.forEach(function (w, b) { have += w * byBand[b]; whole += w * reference[b] * activeCount; });
      return whole > 0 ? have / whole : 0;
    });
    var blocks = new Float64Array(musicBlocks.length);
    for (var i = 0; i < blocks.length; i += 1) {
      blocks[i] = musicBlocks[i];
      parts.forEach(function (part) { blocks[i] += (part.blocks[i] || 0) * Math.pow(10, part.gain / 10); });
    }
    var lufs = page.integrated(blocks);
    return {
      fill: fill / referenceSum, zones: zones, loudness: lufs === null ? null : lufs + given.mixGain,
      parts: parts.map(function (part) {
        var heard = 0, alone = 0;
        /* Own hits: the active slots in which the part really sounds. */
        part.rows.forEach(function (s) {
          if (given.active[s] && part.loud[s] > 0 && part.loud[s] >= given.ownHitShare * part.loudest) {
            heard += part.heard[s];
            alone += part.loud[s];
          }
        });
        return { id: part.id, gain: part.gain, share: alone > 0 ? heard / alone : 0, overlap: part.lost / referenceSum };
      })
    };
  }
  function again(changed) {
    sumUp(changed);
    parts.forEach(function (part) { heardOf(part, changed); });
    return results();
  }

  /* Sets some gains and returns the results of all parts. */
  page.whatIf = function (gains) {
    return load().then(function () {
      parts.forEach(function (part) { if (gains[part.id] !== undefined) { setPart(part, gains[part.id]); } });
      return again(null);
    });
  };
  page.whatIfGains = function () {
    var out = {};
    parts.forEach(function (part) { out[part.id] = Math.round(part.gain * 10) / 10; });
    return out;
  };

  function load() {
    if (loaded) { return loaded; }
    ear = page.hearing(page.data.hearing);
    bands = ear.bands;
    var table = powerTable();
    loaded = Promise.all([page.unpack(given.instrumentalExcitation), page.unpack(given.instrumentalBlocks)].concat(given.parts.map(function (part) {
      return Promise.all([page.unpack(part.powers), page.unpack(part.blocks)]);
    }))).then(function (found) {
      slots = found[0].shape[0];
      music = Float64Array.from(found[0].values, function (code) {
        return code === 0 ? 0 : Math.pow(10, (given.excitationFloor + code * given.excitationStep) / 10);
      });
      musicBlocks = found[1].values;
      total = new Float64Array(slots * bands);
      loud = new Float64Array(slots * bands);
      given.active.forEach(function (v) { activeCount += v ? 1 : 0; });
      referenceSum = reference.reduce(function (sum, v) { return sum + v; }, 0) * Math.max(1, activeCount);
      parts = given.parts.map(function (part, i) {
        var powers = Float32Array.from(found[i + 2][0].values, function (code) { return table[code]; });
        var rows = sounding(powers), has = new Uint8Array(slots);
        rows.forEach(function (s) { has[s] = 1; });
        return { id: part.id, gain: part.gain, powers: powers, rows: rows, has: has, blocks: found[i + 2][1].values,
          exc: new Float64Array(slots * bands), alone: new Float64Array(slots * bands), heard: new Float64Array(slots), loud: new Float64Array(slots), loudest: 0, lost: 0 };
      });
      parts.forEach(function (part) { setPart(part, part.gain); });
      again(null);
    });
    return loaded;
  }

  function show(result) {
    page.$("what-if-fill").textContent = format.unit(100 * result.fill, 1, "%");
    page.$("what-if-loudness").textContent = format.unit(result.loudness === null ? null : result.loudness + apart, 1, "LUFS");
    place.style.setProperty("--end", Math.max.apply(null, [1].concat(result.zones)).toFixed(3));
    page.all("[data-zone-share]", place).forEach(function (bar, z) {
      bar.style.setProperty("--share", result.zones[z].toFixed(3));
      bar.parentNode.querySelector(".value").textContent = format.percent(result.zones[z]);
    });
    result.parts.forEach(function (part) {
      var row = page.all("tr[data-part]", place).filter(function (each) { return each.getAttribute("data-part") === part.id; })[0];
      if (!row) { return; }
      var slider = row.querySelector("input"), words = format.unit(part.gain, 1, "dB", true);
      row.querySelector("[data-show='gain']").textContent = words;
      slider.setAttribute("aria-valuetext", words);
      row.querySelector("[data-show='share']").textContent = format.percent(part.share);
      row.querySelector("[data-show='overlap']").textContent = format.smallPercent(part.overlap);
      if (page.setLayerGain) { page.setLayerGain(part.id, part.gain - Number(slider.getAttribute("data-advised"))); }
    });
  }
  var waiting = null;
  function moved(slider) {
    var id = slider.closest("tr").getAttribute("data-part"), gain = Number(slider.value);
    waiting = waiting || {};
    waiting[id] = gain;
    load().then(function () {
      if (!waiting) { return; }
      var now = waiting, changed = parts.filter(function (part) { return now[part.id] !== undefined; });
      waiting = null;
      changed.forEach(function (part) { setPart(part, now[part.id]); });
      show(again(changed.length === 1 ? changed[0] : null));
    });
  }
  var sliders = page.all("input[type='range']", place);
  sliders.forEach(function (slider) {
    slider.addEventListener("input", function () { moved(slider); });
  });
  page.$("what-if-reset").addEventListener("click", function () {
    sliders.forEach(function (slider) { slider.value = slider.getAttribute("data-advised"); moved(slider); });
  });
  /* Block energies add as if parts had nothing in common, and no limiter works here: at the advised gains the sum may be a
     tenth of a LU off the rendered mix.  That much is carried along, so that the reading starts from the measured one. */
  page.startWhatIf = function () {
    return load().then(function () {
      var first = results();
      if (given.measured !== null && first.loudness !== null && Math.abs(given.measured - first.loudness) < 1) {
        apart = given.measured - first.loudness;
      }
      show(first);
    });
  };
})();
