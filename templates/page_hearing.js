/* The hearing model of the analysis, step for step, so that a moved level can be heard and read at once.
   Power is full-scale squared in fine bands; excitation is linear; loudness is sone per band of 1 Cam.
   Steps and formulas: Glasberg and Moore 1990 (filters), Moore, Glasberg and Baer 1997 (loudness, partial loudness);
   gated loudness: ITU-R BS.1770-5, equations 4 to 7. */
(function () {
  "use strict";

  page.hearing = function (c) {
    var FINE = c.fine_hz.length, BANDS = c.band_hz.length, LOW = c.level_first_db, LEVELS = c.level_last_db - LOW + 1;
    var reach = (c.erb_weights.length - 1) / 2, spread = new Float32Array(LEVELS * FINE * BANDS);
    var silence = [], atThreshold = [];
    for (var b = 0; b < BANDS; b += 1) {
      silence.push(Math.pow(c.a[b], c.alpha[b]));
      atThreshold.push(Math.pow(c.gain[b] * c.threshold[b] + c.a[b], c.alpha[b]));
    }
    for (var level = 0, at = 0; level < LEVELS; level += 1) {
      for (var f = 0; f < FINE; f += 1) {
        for (b = 0; b < BANDS; b += 1, at += 1) {
          var g = (c.fine_hz[f] - c.band_hz[b]) / c.band_hz[b];
          var q = g >= 0 ? c.p[b] : c.p[b] - c.p_slope[b] * (level + LOW - c.level_pivot_db);
          var steep = q * Math.abs(g);
          spread[at] = steep > 80 ? 0 : (1 + steep) * Math.exp(-steep);
        }
      }
    }

    var inner = new Float64Array(FINE + 2 * reach), ear = new Float64Array(FINE), earDb = null;
    /* Adds the excitation of one slot's fine-band powers to `out` from `to` on. */
    function excite(powers, from, offsetDb, out, to) {
      var f;
      if (offsetDb !== earDb) {
        earDb = offsetDb;
        for (f = 0; f < FINE; f += 1) { ear[f] = Math.pow(10, (offsetDb + c.ear_db[f]) / 10); }
      }
      for (f = 0; f < FINE; f += 1) { inner[f + reach] = powers[from + f] * ear[f]; }
      spreadRow(out, to);
    }
    function spreadRow(out, to) {
      for (var f = 0; f < FINE; f += 1) {
        var power = inner[f + reach];
        if (power <= 0) { continue; }
        var sum = 0;
        for (var w = -reach; w <= reach; w += 1) { sum += c.erb_weights[w + reach] * inner[f + reach + w]; }
        var level = Math.floor(10 * Math.log10(Math.max(sum, 1e-30)) + 0.5) - LOW;
        var row = (Math.min(LEVELS - 1, Math.max(0, level)) * FINE + f) * BANDS;
        for (var b = 0; b < BANDS; b += 1) { out[to + b] += power * spread[row + b]; }
      }
    }
    function specific(e, b) {
      if (e <= 0) { return 0; }
      var n = c.c * (Math.pow(c.gain[b] * e + c.a[b], c.alpha[b]) - silence[b]);
      return e < c.threshold[b] ? n * Math.pow(2 * e / (e + c.threshold[b]), 1.5) : n;
    }
    /* `alone` is the signal's specific loudness without the masker. */
    function partial(e, m, b, alone) {
      if (alone <= 0) { return 0; }
      var A = c.a[b], G = c.gain[b], alpha = c.alpha[b], T = c.k[b] * m + c.threshold[b], value;
      var both = Math.pow(G * (e + m) + A, alpha), masked = Math.pow(G * (m + T) + A, alpha);
      if (e >= T) {
        value = both - silence[b] - (masked - atThreshold[b]) * Math.pow(T / e, 0.3);
      } else {
        var lone = Math.pow(G * m + A, alpha);
        value = Math.pow(2 * e / (e + T), 1.5) * (atThreshold[b] - silence[b]) / (masked - lone) * (both - lone);
      }
      value *= c.c;
      return value < 0 ? 0 : value > alone ? alone : value;
    }
    return { fine: FINE, bands: BANDS, excite: excite, specific: specific, partial: partial };
  };

  /* Integrated loudness of 100 ms energies; null where nothing passes the gate. */
  page.integrated = function (blocks) {
    var windows = [], floor = Math.pow(10, (-70 + 0.691) / 10);
    for (var i = 0; i + 4 <= blocks.length; i += 1) {
      var mean = (blocks[i] + blocks[i + 1] + blocks[i + 2] + blocks[i + 3]) / 4;
      if (mean > floor) { windows.push(mean); }
    }
    if (!windows.length) { return null; }
    function average(list) { return list.reduce(function (sum, v) { return sum + v; }, 0) / list.length; }
    var gate = average(windows) / 10;
    return -0.691 + 10 * Math.log10(average(windows.filter(function (v) { return v > gate; })));
  };
})();
