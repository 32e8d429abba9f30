/* Saves the numbers: everything as JSON, the tables as CSV (RFC 4180). */
(function () {
  "use strict";
  var status = page.$("save-status");

  page.wholeDocument = function () {
    return page.gunzip(page.data.document).then(function (buffer) {
      var whole = JSON.parse(new TextDecoder("utf-8").decode(buffer));
      return Promise.all(["instrumental", "with_drums", "overlap", "treatment_change"].map(function (name) {
        return page.mapShares(name).then(function (values) {
          var rows = [], slots = page.data.map.slots;
          for (var band = 0; values && band < page.data.map.bands; band += 1) {
            rows.push(Array.from(values.subarray(band * slots, (band + 1) * slots), function (v) { return v / 100; }));
          }
          whole.occupancy[name] = rows;
        });
      })).then(function () { return whole; });
    });
  };

  function field(text) { return /[",\r\n]/.test(text) ? '"' + text.replace(/"/g, '""') + '"' : text; }
  /* An apostrophe keeps a spreadsheet from reading a text as a formula. */
  function plain(cell, value) {
    var text = value === null || cell.classList.contains("tone-span") ? cell.cloneNode(true) : value;
    if (typeof text !== "string") {
      page.all(".unit", text).forEach(function (unit) { unit.insertAdjacentText("beforebegin", " "); });
      page.all(".cell-note, .unseen", text).forEach(function (extra) { extra.remove(); });
      text = text.textContent.trim().replace(/\s+/g, " ");
    }
    if (/^[=+@\t-]/.test(text) && isNaN(Number(text))) { text = "'" + text; }
    return field(text === format.MISSING ? "" : text);
  }
  page.tablesAsCsv = function () {
    var lines = [];
    page.all("main table[data-name]").forEach(function (table) {
      lines.push(field(table.caption ? table.caption.textContent.trim() : table.getAttribute("data-name") || ""));
      page.all("tr", table).forEach(function (row) {
        lines.push(Array.prototype.map.call(row.cells, function (cell) { return plain(cell, cell.getAttribute("data-value")); }).join(","));
      });
      lines.push("");
    });
    return lines.join("\r\n");
  };

  page.$("save-json").addEventListener("click", function () {
    page.wholeDocument().then(function (whole) {
      page.saveFile(page.baseName() + ".json", JSON.stringify(whole, null, 1) + "\n", "application/json");
      status.textContent = "Saved. Maps are rounded to one per cent; the data file beside this page has three decimals"
        + (page.data.leftOut ? ", and " + page.data.leftOut + " more candidates." : ".");
    }).catch(function (error) { status.textContent = error.message; });
  });
  page.$("save-csv").addEventListener("click", function () {
    page.saveFile(page.baseName() + "-tables.csv", "\ufeff" + page.tablesAsCsv(), "text/csv");
    status.textContent = "Saved. Ratios run from 0 to 1, levels are dB, times seconds.";
  });
})();
