/* What every part of the page's script shares.  Conventions: nothing is fetched; arrays arrive as base64 of gzip and are
   unpacked with DecompressionStream. */
(function () {
  "use strict";
  page.data = JSON.parse(document.getElementById("page-data").textContent);

  page.bytes = function (text) {
    if (Uint8Array.fromBase64) { return Uint8Array.fromBase64(text); }
    var raw = atob(text), out = new Uint8Array(raw.length);
    for (var i = 0; i < raw.length; i += 1) { out[i] = raw.charCodeAt(i); }
    return out;
  };
  page.canUnpack = typeof DecompressionStream === "function";
  page.gunzip = function (text) {
    if (!page.canUnpack) { return Promise.reject(new Error("This browser cannot unpack the page's figures.")); }
    var stream = new Blob([page.bytes(text)]).stream().pipeThrough(new DecompressionStream("gzip"));
    return new Response(stream).arrayBuffer();
  };
  var TYPES = { uint8: Uint8Array, int8: Int8Array, int16: Int16Array, uint16: Uint16Array, float32: Float32Array };
  /* Undoes the packing, last step first: byte planes, differences, transposition. */
  page.unpack = function (packed) {
    return page.gunzip(packed.gz).then(function (buffer) {
      var values, i;
      if (packed.dtype === "uint16" || packed.dtype === "int16") {
        var bytes = new Uint8Array(buffer), half = bytes.length / 2;
        values = new TYPES[packed.dtype](half);
        for (i = 0; i < half; i += 1) { values[i] = bytes[i] + 256 * bytes[half + i]; }
      } else { values = new TYPES[packed.dtype](buffer); }
      if (packed.steps) { for (i = 1; i < values.length; i += 1) { values[i] += values[i - 1]; } }
      if (packed.turned) {
        var rows = packed.shape[0], columns = packed.shape[1], straight = new TYPES[packed.dtype](values.length);
        for (i = 0; i < values.length; i += 1) { straight[(i % rows) * columns + Math.floor(i / rows)] = values[i]; }
        values = straight;
      }
      return { values: values, shape: packed.shape };
    });
  };

  page.color = function (name) { return getComputedStyle(document.documentElement).getPropertyValue(name).trim(); };
  /* A copy of a figure with the style sheet's value for every `var(--name)`. */
  page.painted = function (value) {
    if (typeof value === "string") {
      return value.replace(/var\((--[a-z-]+)\)/g, function (all, name) { return page.color(name); });
    }
    if (Array.isArray(value)) { return value.map(page.painted); }
    if (value && typeof value === "object" && !ArrayBuffer.isView(value)) {
      var out = {};
      Object.keys(value).forEach(function (key) { out[key] = page.painted(value[key]); });
      return out;
    }
    return value;
  };

  page.keep = function (key, value) { try { localStorage.setItem(key, value); } catch (error) { /* not kept, not needed */ } };
  page.kept = function (key) { try { return localStorage.getItem(key); } catch (error) { return null; } };
  page.forget = function (key) { try { localStorage.removeItem(key); } catch (error) { /* nothing was kept */ } };

  page.baseName = function () { return page.data.beat + "-" + page.data.revision; };
})();
