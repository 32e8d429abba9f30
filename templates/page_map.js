/* The map: its views, a description of the cell under the pointer or the cursor, the playhead. */
(function () {
  "use strict";
  var map = page.data.map, frame = page.$("map-frame"), plot = page.$("map-plot"), readout = page.$("map-readout");
  var head = page.$("map-playhead"), cursorBox = page.$("map-cursor"), excerptBox = page.$("map-excerpt"), part = page.$("map-part");
  var arrays = {}, view = "instrumental", drawn = false, cursor = null, range = null, headBar = null;

  function values(name) {
    if (name === "room") {
      if (!arrays.room && arrays.instrumental) {
        arrays.room = arrays.instrumental.map(function (v, i) {
          return Math.max(0, 1 - v - (map.kept[Math.floor(i / map.slots)] || 0));
        });
      }
      return arrays.room;
    }
    return arrays[name];
  }
  function rows(name) {
    var flat = values(name), out = [];
    for (var band = 0; band < map.bands; band += 1) { out.push(flat.subarray(band * map.slots, (band + 1) * map.slots)); }
    return out;
  }
  function scale() { return map.views[view][theme.isDark() ? "dark" : "light"]; }

  page.mapWords = function (band, slot) {
    var bar = Math.floor(slot / map.slotsPerBar) + 1, step = slot % map.slotsPerBar;
    var perBeat = Math.max(1, map.slotsPerBar / map.beatsPerBar);
    var beat = Math.floor(step / perBeat) + 1, sixteenth = Math.floor(step % perBeat) + 1;
    var section = map.sections.filter(function (s) { return bar >= s.first && bar < s.first + s.bars; })[0];
    var share = values(view)[band * map.slots + slot], text = format.percent(share, view === "treatment_change");
    return "Bar " + bar + ", beat " + beat + ", sixteenth " + sixteenth + (section ? " (" + section.name + ")" : "") + ", "
      + map.bandNames[band] + " (" + (map.zoneNames[map.bandZones[band]] || "") + "): " + text + " " + map.views[view].unit + ".";
  };

  function edges() {
    var m = page.data.figure.layout.margin;
    var left = m.l, right = plot.clientWidth - m.r, top = m.t, bottom = plot.clientHeight - m.b;
    var low = range ? range[0] : 1, high = range ? range[1] : page.data.figure.layout.xaxis.range[1];
    return { left: left, top: top, bottom: bottom, right: right, low: low, high: high,
      x: function (bar) { return left + (right - left) * (bar - low) / (high - low); },
      y: function (band) { return bottom - (bottom - top) * band / map.bands; } };
  }
  function placeCursor() {
    if (!cursor) { cursorBox.hidden = true; return; }
    var e = edges(), at = 1 + cursor.slot / map.slotsPerBar;
    var x0 = e.x(at), x1 = e.x(at + 1 / map.slotsPerBar), y1 = e.y(cursor.band), y0 = e.y(cursor.band + 1);
    cursorBox.hidden = x0 < e.left - 1 || x1 > e.right + 1;
    cursorBox.style.cssText = "left:" + (x0 - 2) + "px;top:" + (y0 - 2) + "px;width:" + Math.max(6, x1 - x0 + 4) + "px;height:" + Math.max(6, y1 - y0 + 4) + "px";
  }
  function placeHead() {
    var e = edges(), x = headBar === null ? -1 : e.x(headBar);
    head.hidden = headBar === null || x < e.left || x > e.right;
    head.style.cssText = "left:" + x + "px;top:" + e.top + "px;height:" + (e.bottom - e.top) + "px";
  }
  function placeExcerpt() {
    var span = page.excerptBars ? page.excerptBars() : null, e = edges();
    if (!span) { excerptBox.hidden = true; return; }
    var x0 = Math.max(e.left, e.x(span[0])), x1 = Math.min(e.right, e.x(span[1]));
    excerptBox.hidden = x1 <= x0;
    excerptBox.title = "What the player covers";
    excerptBox.style.cssText = "left:" + x0 + "px;top:" + (e.bottom + 1) + "px;width:" + (x1 - x0) + "px";
  }
  function placeAll() { placeCursor(); placeHead(); placeExcerpt(); }
  page.placeMap = function () { if (drawn) { placeAll(); } };
  page.mapPlayhead = function (bar) { headBar = bar; if (drawn) { placeHead(); } };

  function say(band, slot) { readout.textContent = page.mapWords(band, slot); }

  page.showMapView = function (name) {
    if (!values(name)) { return Promise.resolve(); }
    view = name;
    page.all(".map-explain").forEach(function (line) { line.hidden = line.getAttribute("data-view") !== name; });
    if (cursor) { say(cursor.band, cursor.slot); }
    if (!drawn) { return Promise.resolve(); }
    return Plotly.restyle(plot, { z: [rows(name)], zmin: map.views[name].low, zmax: map.views[name].high, colorscale: [scale()] }, [0]);
  };

  function go(slot, andPlay) {
    var told = page.seekBar ? page.seekBar(1 + slot / map.slotsPerBar, andPlay) : "";
    if (told) { readout.textContent += " " + told; }
  }
  function moveCursor(dBand, dSlot) {
    var first = range ? (range[0] - 1) * map.slotsPerBar : 0, past = range ? (range[1] - 1) * map.slotsPerBar : map.slots;
    if (!cursor) { cursor = { band: Math.floor(map.bands / 2), slot: first }; }
    cursor.band = Math.min(map.bands - 1, Math.max(0, cursor.band + dBand));
    cursor.slot = Math.min(Math.min(map.slots, past) - 1, Math.max(first, cursor.slot + dSlot));
    placeCursor();
    say(cursor.band, cursor.slot);
  }
  frame.addEventListener("keydown", function (event) {
    var bar = map.slotsPerBar, keys = { ArrowLeft: [0, -1], ArrowRight: [0, 1], ArrowUp: [1, 0], ArrowDown: [-1, 0], PageUp: [0, -bar],
      PageDown: [0, bar], Home: [0, -map.slots], End: [0, map.slots] };
    if (event.ctrlKey || event.altKey || event.metaKey) { return; }
    if (keys[event.key]) { event.preventDefault(); moveCursor(keys[event.key][0], keys[event.key][1]); }
    if (event.key === "Enter" && cursor) { event.preventDefault(); go(cursor.slot, true); }
  });
  frame.addEventListener("focus", function () { if (!cursor) { moveCursor(0, 0); } });

  /* Bars between two numbers on the axis, so that they do not overlap. */
  function everyBars(shown) {
    var most = Math.max(3, plot.clientWidth / 42), step = 1;
    while ((shown[1] - shown[0]) / step > most) { step *= 2; }
    return step;
  }

  page.drawMap = function () {
    if (!arrays.instrumental || !map.slots) { return Promise.resolve(); }
    page.$("map-figure").classList.add("is-live");
    frame.hidden = false;
    var figure = page.painted(page.data.figure), heat = figure.data[0];
    heat.z = rows(view); heat.zmin = map.views[view].low; heat.zmax = map.views[view].high; heat.colorscale = scale();
    figure.layout.height = plot.clientHeight || figure.layout.height;
    if (range) { figure.layout.xaxis.range = range.slice(); }
    figure.layout.xaxis.dtick = everyBars(figure.layout.xaxis.range);
    return Plotly.newPlot(plot, figure.data, figure.layout, { displayModeBar: false, responsive: true, doubleClick: false }).then(function () {
      drawn = true;
      plot.on("plotly_hover", function (event) { var p = event.points[0]; if (p && p.pointIndex) { say(p.pointIndex[0], p.pointIndex[1]); } });
      plot.on("plotly_click", function (event) {
        var p = event.points[0];
        if (!p || !p.pointIndex) { return; }
        cursor = { band: p.pointIndex[0], slot: p.pointIndex[1] };
        placeCursor(); say(cursor.band, cursor.slot); go(cursor.slot);
      });
      plot.on("plotly_afterplot", placeAll);
      placeAll();
    });
  };
  page.loadLibrary = function () {
    var packed = page.$("plot-library");
    return page.gunzip(packed.textContent).then(function (buffer) {
      var script = document.createElement("script");
      script.textContent = new TextDecoder("utf-8").decode(buffer);
      document.head.appendChild(script);
      packed.remove();
      if (typeof Plotly === "undefined") { throw new Error("The map could not be started."); }
    });
  };
  document.addEventListener("themechange", function () { if (drawn) { page.drawMap(); } });
  page.all("[data-save-map]").forEach(function (button) {
    button.addEventListener("click", function () {
      if (!drawn) { return; }
      Plotly.downloadImage(plot, { format: button.getAttribute("data-save-map"), filename: page.baseName() + "-map", scale: 2,
        width: Math.max(900, plot.clientWidth), height: plot.clientHeight });
    });
  });

  /* A map's shares in hundredths; a map over another one holds only the difference. */
  page.mapShares = function (name) {
    var packed = map.arrays[name];
    if (!packed) { return Promise.resolve(null); }
    return Promise.all([page.unpack(packed), packed.over ? page.unpack(map.arrays[packed.over]) : null]).then(function (found) {
      var values = found[0].values, under = found[1];
      if (under) { for (var i = 0; i < values.length; i += 1) { values[i] += under.values[i]; } }
      return values;
    });
  };
  page.loadMaps = function () {
    return Promise.all(Object.keys(map.arrays).map(function (name) {
      return page.mapShares(name).then(function (values) {
        arrays[name] = Float32Array.from(values, function (v) { return v / 100; });
      });
    }));
  };

  map.sections.forEach(function (section, i) {
    var option = document.createElement("option");
    option.value = String(i);
    option.textContent = section.name + ", bar " + section.first + " on";
    part.appendChild(option);
  });
  part.addEventListener("change", function () {
    var section = map.sections[Number(part.value)];
    range = part.value === "" || !section ? null : [section.first, section.first + section.bars];
    var shown = range || page.data.figure.layout.xaxis.range;
    if (drawn) { Plotly.relayout(plot, { "xaxis.range": shown.slice(), "xaxis.dtick": everyBars(shown) }).then(placeAll); }
  });
  page.all("input[name='map-view']").forEach(function (choice) {
    choice.addEventListener("change", function () { page.showMapView(choice.value); });
  });
  page.$("map-controls").addEventListener("submit", function (event) { event.preventDefault(); });
})();
