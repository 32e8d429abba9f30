/* The archive page's script: filter, order, and two dossiers side by side.  Conventions: everything works from the
   embedded document and the list that stands in the page; text goes in as text, never as markup; nothing is fetched. */
(function () {
  "use strict";
  var $ = page.$, all = page.all;
  var data = JSON.parse($("archive-data").textContent);

  if (!data.beats.length) { return; }
  var nothing = { changes: [], mix: "", identity: "" };
  data.beats.forEach(function (beat) {  // each revision is embedded as its difference from the one before
    beat.revisions.forEach(function (revision, place, rows) { rows[place] = Object.assign({}, rows[place - 1] || nothing, revision); });
    beat.revisions.forEach(function (revision) {
      var folder = beat.slug + "/" + beat.slug + "-" + revision.id;
      revision.page = folder + ".html";
      revision.mix = revision.mix && folder + "/" + revision.mix;
    });
  });

  /* ---- filter and order */
  var list = $("entries"), entries = all(".entry", list);
  var find = $("find"), byStatus = $("by-status"), byRights = $("by-rights"), order = $("order");

  function matches(entry) {
    /* Files are listed without their folders: one that is typed or pasted with them is found all the same. */
    var words = find.value.toLowerCase().replace(/\S*\//g, "").split(/\s+/).filter(Boolean), kept = entry.dataset;
    var rights = kept.rights.split(" ");
    return words.every(function (word) { return kept.search.indexOf(word) >= 0; }) &&
      (!byStatus.value || kept.status === byStatus.value) &&
      (!byRights.value || (byRights.value === "open" ? rights[0] !== "settled" : rights.indexOf(byRights.value) >= 0));
  }
  function filter() {
    var shown = 0;
    entries.forEach(function (entry) {
      var fits = matches(entry);
      entry.hidden = !fits;
      shown += fits ? 1 : 0;
    });
    $("none").hidden = shown > 0;
    $("found").textContent = shown === entries.length ? "" : shown + " of " + entries.length + " beats.";
  }
  function arrange() {
    var parts = order.value.split("-"), name = parts[0], down = parts[1] === "down" ? -1 : 1;
    entries.sort(function (a, b) {
      var byTitle = Number(a.dataset.title) - Number(b.dataset.title);
      if (name === "title") { return byTitle; }
      var x = a.getAttribute("data-by-" + name), y = b.getAttribute("data-by-" + name);
      return x < y ? -down : x > y ? down : byTitle;
    });
    entries.forEach(function (entry) { list.appendChild(entry); });
  }
  function showAll() {
    find.value = byStatus.value = byRights.value = "";
    filter();
  }
  $("filters").addEventListener("submit", function (event) { event.preventDefault(); });
  find.addEventListener("input", filter);
  byStatus.addEventListener("change", filter);
  byRights.addEventListener("change", filter);
  order.addEventListener("change", arrange);
  $("reset").addEventListener("click", showAll);
  $("reset-none").addEventListener("click", function () { showAll(); find.focus(); });
  all("[data-status], [data-rights]", $("standing")).forEach(function (button) {
    button.addEventListener("click", function () {
      showAll();
      byStatus.value = button.dataset.status || "";
      byRights.value = button.dataset.rights || "";
      filter();
      $("catalogue").scrollIntoView();
      byStatus.focus({ preventScroll: true });
    });
  });
  all('a[href^="#beat-"]').forEach(function (link) {
    link.addEventListener("click", function () {
      var target = $(link.getAttribute("href").slice(1));
      if (target && target.hidden) { showAll(); }
    });
  });
  filter();
  arrange();

  /* ---- words; shares are whole per cent in the document, so that the page never rounds the same share twice */
  var number = format.number, unit = format.unit, plain = format.plain;
  function percent(share) { return unit(share, 0, "%"); }
  /* Every difference is newer less older, whichever side the newer one stands on. */
  var way = 1;
  function points(left, right) { return left === null || right === null ? "" : number(way * (right - left), 0, true); }
  function difference(left, right, digits, name) {
    return left === null || right === null ? "" : unit(way * (right - left), digits, name, true);
  }
  function listed(items) {
    return items.length < 2 ? items.join("") : items.slice(0, -1).join(", ") + " and " + items[items.length - 1];
  }

  /* ---- elements */
  var SVG = "http://www.w3.org/2000/svg";
  function make(name, values, children, space) {
    var made = space ? document.createElementNS(space, name) : document.createElement(name);
    Object.keys(values || {}).forEach(function (key) { made.setAttribute(key, values[key]); });
    (children || []).forEach(function (child) {
      made.appendChild(typeof child === "string" ? document.createTextNode(child) : child);
    });
    return made;
  }
  function isolated(text) { return make("bdi", {}, [text]); }
  function table(caption, heads, rows) {
    var head = make("tr", {}, heads.map(function (each, place) {
      return make("th", place && each.number ? { scope: "col", "class": "number" } : { scope: "col" }, each.parts);
    }));
    var body = rows.map(function (row) {
      return make("tr", {}, row.map(function (cell, place) {
        var parts = Array.isArray(cell) ? cell : [cell];
        if (place === 0) { return make("th", { scope: "row" }, parts); }
        var kind = cell instanceof SVGElement ? { "class": "two-bars" } : heads[place].number ? { "class": "number" } : {};
        return make("td", kind, parts);
      }));
    });
    return make("div", { "class": "scroll", role: "region", "aria-label": caption }, [
      make("table", {}, [make("caption", {}, [caption]), make("thead", {}, [head]), make("tbody", {}, body)])
    ]);
  }
  function head(text, isNumber) { return { parts: [text], number: isNumber }; }
  function sideHead(side, isNumber) {
    return { parts: [make("span", { "class": "key " + side.side, "aria-hidden": "true" }), isolated(side.name)], number: isNumber };
  }
  function twoBars(left, right, end) {
    function bar(share, y, side) {
      var wide = share === null ? 0 : 99 * Math.max(0, share) / end;
      return make("rect", { x: "0.5%", y: y, width: wide.toFixed(1) + "%", height: 6, "class": "side-" + side }, [], SVG);
    }
    return make("svg", { width: "100%", height: 18, "aria-hidden": "true", focusable: "false" }, [
      make("rect", { x: "0", y: 1, width: (10000 / end).toFixed(1) + "%", height: 16, "class": "track" }, [], SVG),
      bar(left, 2.5, "left"), bar(right, 9.5, "right")
    ], SVG);
  }

  /* ---- side by side */
  var chosen = { left: "", right: "" }, selects = { left: $("left"), right: $("right") };
  var known = {};
  data.beats.forEach(function (beat) {
    beat.revisions.forEach(function (revision, place) {
      known[beat.slug + ":" + revision.id] = { beat: beat, revision: revision, place: place };
    });
  });
  function newest(beat) { return beat.slug + ":" + beat.revisions[beat.revisions.length - 1].id; }
  function label(key) { return known[key].revision.title + ", " + known[key].revision.id; }
  function fillSelect(select) {
    select.appendChild(make("option", { value: "" }, ["choose a dossier"]));
    data.beats.forEach(function (beat) {
      var options = beat.revisions.slice().reverse().map(function (revision) {
        return make("option", { value: beat.slug + ":" + revision.id }, [revision.title + ", " + revision.id + ", " + revision.made]);
      });
      if (options.length === 1) { select.appendChild(options[0]); return; }
      select.appendChild(make("optgroup", { label: beat.title }, options));
    });
  }

  function paired(left, right, nameOf) {
    /* Pairs items of the same name, in the left side's order; items without a partner keep null on the other side. */
    var rest = right.slice(), pairs = left.map(function (item) {
      var place = rest.findIndex(function (other) { return nameOf(other) === nameOf(item); });
      return [item, place < 0 ? null : rest.splice(place, 1)[0]];
    });
    return pairs.concat(rest.map(function (item) { return [null, item]; }));
  }
  function at(item, place) { return item ? item[place] : null; }

  function facts(left, right) {
    var a = left.revision, b = right.revision;
    function link(side) { return make("a", { href: side.revision.page }, [side.revision.id + ", " + side.revision.made]); }
    return table("In short", [head("What"), sideHead(left), sideHead(right), head("Newer less older")], [
      ["Dossier", link(left), link(right), ""],
      ["Advice", a.advice, b.advice, a.advice === b.advice ? "same" : "differs"],
      ["Fill", percent(a.fill), percent(b.fill), points(a.fill, b.fill) + " points"],
      ["Tempo", plain(a.tempo, 2) + format.NBSP + "BPM", plain(b.tempo, 2) + format.NBSP + "BPM", difference(a.tempo, b.tempo, 1, "BPM")],
      ["Key", a.key, b.key, a.key === b.key ? "same" : "differs"],
      ["Meter", a.meter, b.meter, a.meter === b.meter ? "same" : "differs"],
      ["Length", a.bars + " bars", b.bars + " bars", points(a.bars, b.bars)],
      ["Rough mix", unit(a.lufs, 1, "LUFS"), unit(b.lufs, 1, "LUFS"), difference(a.lufs, b.lufs, 1, "LU")],
      ["True peak", unit(a.peak, 1, "dBTP"), unit(b.peak, 1, "dBTP"), difference(a.peak, b.peak, 1, "dB")],
      ["Headroom", unit(a.headroom, 1, "dB"), unit(b.headroom, 1, "dB"), difference(a.headroom, b.headroom, 1, "dB")]
    ]);
  }
  function shares(caption, first, left, right, rows) {
    var end = rows.reduce(function (most, row) { return Math.max(most, row[1], row[2]); }, 100);
    return table(caption, [head(first), head("Fill"), sideHead(left, true), sideHead(right, true), head("Newer less older", true)],
      rows.map(function (row) {
        return [row[0], twoBars(row[1], row[2], end), percent(row[1]), percent(row[2]), points(row[1], row[2])];
      }));
  }
  function zones(left, right) {
    return shares("Zones", "Zone", left, right, data.zones.map(function (name, place) {
      return [name, left.revision.zones[place], right.revision.zones[place]];
    }));
  }
  function sections(left, right) {
    var pairs = paired(left.revision.sections, right.revision.sections, function (item) { return item[0]; });
    return shares("Sections", "Section", left, right, pairs.map(function (pair) {
      return [[isolated((pair[0] || pair[1])[0])], at(pair[0], 2), at(pair[1], 2)];
    }));
  }
  function drums(left, right) {
    function same(a, b) { return a[2] && b[2] ? a[2] === b[2] : left.beat === right.beat && a[1] === b[1]; }
    function without(mine, others) {
      return mine.filter(function (a) { return !others.some(function (b) { return same(a, b); }); });
    }
    function column(title, items) {
      var said = items.map(function (item) {
        return make("li", {}, [item[0] + ": ", make("bdi", { "class": "file" }, [item[1]]), item[7] ? ", treated" : ""]);
      });
      return make("div", {}, [make("h4", {}, [title]), said.length ? make("ul", {}, said) : make("p", { "class": "note" }, ["none"])]);
    }
    var a = left.revision.drums, b = right.revision.drums, both = a.filter(function (item) {
      return b.some(function (other) { return same(item, other); });
    });
    return make("div", {}, [make("h3", {}, ["Drums"]), make("div", { "class": "drum-sides" }, [
      column("The same sound in both", both), column("Only in " + left.name, without(a, b)),
      column("Only in " + right.name, without(b, a))
    ])]);
  }
  function levels(left, right) {
    var pairs = paired(left.revision.drums, right.revision.drums, function (item) { return item[0]; });
    function three(place, show, digits, name) {
      return function (pair) {
        var a = at(pair[0], place), b = at(pair[1], place);
        return [show(a), show(b), place === 5 ? points(a, b) : difference(a, b, digits, name)];
      };
    }
    var gain = three(3, function (v) { return unit(v, 1, "dB"); }, 1, "dB");
    var loud = three(4, function (v) { return unit(v, 1, "LUFS"); }, 1, "LU");
    var heard = three(5, percent, 0, "");
    var lift = three(6, function (v) { return unit(v, 1, "LU"); }, 1, "LU");
    function one(caption, of) {
      return table(caption, [head("Part"), sideHead(left, true), sideHead(right, true), head("Newer less older", true)],
        pairs.map(function (pair) { return [[isolated((pair[0] || pair[1])[0])]].concat(of(pair)); }));
    }
    return make("div", { "class": "levels" }, [one("Levels: gain to set", gain), one("Levels: loudness of the part", loud),
      one("Levels: audible share", heard), one("Levels: lift", lift)]);
  }
  function changedWithin(left, right) {
    var older = left.place <= right.place ? left : right, newer = older === left ? right : left, lines = [];
    older.beat.revisions.slice(older.place + 1, newer.place + 1).forEach(function (revision) {
      revision.changes.forEach(function (change) { lines.push(revision.id + ": " + change); });
    });
    return { title: "What changed from " + older.revision.id + " to " + newer.revision.id, lines: lines.length ? lines : ["Nothing was noted."] };
  }
  function changedBetween(left, right) {
    var older = way > 0 ? left : right, newer = way > 0 ? right : left, a = older.revision, b = newer.revision, lines = [], step = b.fill - a.fill;
    lines.push(step === 0 ? "Both are equally full." : newer.name + " is " + Math.abs(step) + " points " + (step > 0 ? "fuller" : "emptier") + " than " + older.name + ".");
    var moved = data.zones.map(function (name, place) {
      return { name: name, by: b.zones[place] - a.zones[place] };
    }).filter(function (zone) { return Math.abs(zone.by) >= 5; });
    moved.sort(function (x, y) { return Math.abs(y.by) - Math.abs(x.by); });
    if (moved.length) {
      lines.push("The zones differ most in " + listed(moved.slice(0, 3).map(function (zone) {
        return zone.name + " (" + number(zone.by, 0, true) + ")";
      })) + ".");
    }
    var tempo = b.tempo - a.tempo;
    if (Math.abs(tempo) >= 0.05) { lines.push(newer.name + " is " + unit(Math.abs(tempo), 1, "BPM") + " " + (tempo > 0 ? "faster" : "slower") + "."); }
    lines.push(a.advice === b.advice ? "Both get the same advice: " + a.advice + "." : "Advice: " + a.advice + " for " + older.name + ", " + b.advice + " for " + newer.name + ".");
    if (a.lufs !== null && b.lufs !== null && Math.abs(b.lufs - a.lufs) >= 0.05) {
      lines.push("The rough mix of " + newer.name + " is " + unit(Math.abs(b.lufs - a.lufs), 1, "LU") + (b.lufs > a.lufs ? " louder." : " quieter."));
    }
    return { title: "How they differ", lines: lines };
  }

  function show() {
    var box = $("comparison"), note = $("compare-note");
    box.textContent = "";
    note.textContent = "";
    ["left", "right"].forEach(function (side) { selects[side].value = chosen[side]; });
    all("[data-compare]").forEach(function (button) {
      var on = [chosen.left, chosen.right].some(function (key) { return key && known[key].beat.slug === button.dataset.compare; });
      button.setAttribute("aria-pressed", String(on));
    });
    var full = Boolean(chosen.left && chosen.right);
    $("compare").classList.toggle("filled", full);
    $("strip").hidden = full || !(chosen.left || chosen.right);
    if (!full) {
      var one = chosen.left || chosen.right;
      if (one) { $("strip-text").textContent = label(one) + " is on the " + (chosen.left ? "left" : "right") + ". Choose another beat to set beside it."; }
      remember("");
      page.offerBlind(null);
      return;
    }
    remember("#compare=" + chosen.left + "," + chosen.right);
    if (chosen.left === chosen.right) { note.textContent = "The same dossier stands on both sides."; }
    var sides = ["left", "right"].map(function (side) {
      var found = known[chosen[side]];
      return { side: side, beat: found.beat, revision: found.revision, place: found.place, name: found.revision.title };
    });
    var left = sides[0], right = sides[1];
    if (left.name === right.name) { sides.forEach(function (side) { side.name = left.beat === right.beat ? side.revision.id : label(chosen[side.side]); }); }
    way = left.beat === right.beat ? (left.place <= right.place ? 1 : -1) : left.revision.at <= right.revision.at ? 1 : -1;
    var said = left.beat === right.beat ? changedWithin(left, right) : changedBetween(left, right);
    var lines = said.lines.map(function (line) { return make("li", {}, [line]); });
    [make("div", { "class": "said" }, [make("h3", {}, [said.title]), make("ul", {}, lines)]),
      facts(left, right), zones(left, right), sections(left, right), drums(left, right), levels(left, right)
    ].forEach(function (each) { box.appendChild(each); });
    page.offerBlind(sides);
    reachable();
  }
  function reachable() {
    /* Only tables that scroll are tab stops. */
    all(".scroll").forEach(function (box) {
      if (box.scrollWidth > box.clientWidth) { box.setAttribute("tabindex", "0"); } else { box.removeAttribute("tabindex"); }
    });
  }
  addEventListener("resize", reachable);

  /* ---- one mix at a time, all as loud as the quietest */
  var players = all("audio"), quietest = Math.min.apply(null, players.map(function (each) { return Number(each.dataset.lufs || 0); }));
  players.forEach(function (player) {
    player.volume = player.dataset.lufs ? Math.min(1, Math.pow(10, (quietest - Number(player.dataset.lufs)) / 20)) : 1;
    player.addEventListener("play", function () { players.forEach(function (each) { if (each !== player) { each.pause(); } }); });
  });
  function remember(hash) {
    if (!hash && location.hash.indexOf("#compare=") !== 0) { return; }
    try { history.replaceState(null, "", hash || location.pathname + location.search); } catch (error) { /* not everywhere allowed on files */ }
  }
  function goToComparison() {
    $("compare").scrollIntoView();
    $("compare-title").focus({ preventScroll: true });
  }
  ["left", "right"].forEach(function (side) {
    fillSelect(selects[side]);
    selects[side].addEventListener("change", function () { chosen[side] = selects[side].value; show(); });
  });
  $("swap").addEventListener("click", function () { chosen = { left: chosen.right, right: chosen.left }; show(); });
  function clear() { chosen = { left: "", right: "" }; show(); }
  $("clear-compare").addEventListener("click", clear);
  $("strip-cancel").addEventListener("click", clear);
  all("[data-compare]").forEach(function (button) {
    var beat = data.beats.find(function (each) { return each.slug === button.dataset.compare; });
    button.addEventListener("click", function () {
      var key = newest(beat), one = chosen.left || chosen.right;
      if (chosen.left && chosen.right) { chosen = { left: key, right: "" }; show(); return; }
      if (one && known[one].beat === beat) { clear(); return; }
      if (!chosen.left) { chosen.left = key; } else { chosen.right = key; }
      show();
      if (chosen.left && chosen.right) { goToComparison(); }
    });
  });
  var asked = decodeURIComponent(location.hash).match(/^#compare=([^,]+),([^,]+)$/);
  if (asked && known[asked[1]] && known[asked[2]]) { chosen = { left: asked[1], right: asked[2] }; }
  show();
  if (asked && chosen.left) { goToComparison(); }
})();
