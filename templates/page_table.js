/* Tables: sort by a click on a heading; filter the drums. */
(function () {
  "use strict";

  function valueOf(group, column) {
    var row = group.rows ? group.rows[0] : group;
    var cell = row.cells[column], raw = cell.getAttribute("data-value");
    var text = raw === null ? cell.textContent.trim() : raw;
    var value = Number(text.replace("\u2212", "-"));
    if (text === "" || text === format.MISSING) { return null; }
    return isNaN(value) ? text.toLowerCase() : value;
  }
  function compare(a, b) {
    if (typeof a === "number" && typeof b === "number") { return a - b; }
    return String(a) < String(b) ? -1 : String(a) > String(b) ? 1 : 0;
  }
  function sort(table, column, heading) {
    var down = heading.getAttribute("aria-sort") !== "descending" && heading.classList.contains("number")
      || heading.getAttribute("aria-sort") === "ascending";
    page.all("th[aria-sort]", table).forEach(function (each) { each.removeAttribute("aria-sort"); });
    heading.setAttribute("aria-sort", down ? "descending" : "ascending");
    var grouped = table.hasAttribute("data-grouped"), parent = grouped ? table : table.tBodies[0], part = [];
    function place() {
      part.map(function (group, i) { return { group: group, value: valueOf(group, column), at: i }; })
        .sort(function (x, y) {
          if (x.value === null || y.value === null) { return (x.value === null) - (y.value === null) || x.at - y.at; }
          return (down ? -1 : 1) * compare(x.value, y.value) || x.at - y.at;
        })
        .forEach(function (each) { parent.appendChild(each.group); });
      part = [];
    }
    /* Role headings and closing lines stay in place; the rows between them are sorted. */
    Array.prototype.slice.call(grouped ? table.tBodies : parent.rows).forEach(function (group) {
      if (grouped && !group.classList.contains("drum")) { place(); parent.appendChild(group); } else { part.push(group); }
    });
    place();
  }

  page.all("table[data-sortable]").forEach(function (table) {
    page.all("thead th", table).forEach(function (heading, column) {
      var button = document.createElement("button"), term = heading.querySelector(".term");
      button.type = "button";
      button.className = "sort";
      var label = heading.textContent.trim().replace(/\s+/g, " ");
      if (term) {
        button.setAttribute("aria-label", "Sort by " + label);
        heading.insertBefore(button, term.nextSibling);
      } else {
        button.textContent = heading.firstChild.textContent.trim();
        button.title = "Sort by " + label;
        heading.replaceChild(button, heading.firstChild);
      }
      button.addEventListener("click", function () { sort(table, column, heading); });
    });
  });

  var form = page.$("drum-filter");
  if (!form) { return; }
  var text = page.$("drum-text"), kind = page.$("drum-kind"), rights = page.$("drum-rights"), count = page.$("drum-count");
  var drums = page.all("tbody.drum");
  function filter() {
    var wanted = text.value.trim().toLowerCase(), seen = 0;
    drums.forEach(function (drum) {
      var fits = (!wanted || drum.getAttribute("data-search").indexOf(wanted) >= 0)
        && (!kind.value || drum.getAttribute("data-kind") === kind.value)
        && (!rights.value || drum.getAttribute("data-rights") === rights.value);
      drum.hidden = !fits;
      if (fits) { seen += 1; }
    });
    page.all("tbody.role").forEach(function (heading) {
      var next = heading.nextElementSibling, any = false;
      while (next && !next.classList.contains("role")) { any = any || (next.classList.contains("drum") && !next.hidden); next = next.nextElementSibling; }
      heading.hidden = !any;
    });
    count.textContent = seen === drums.length ? "" : seen + " of " + drums.length + " shown";
  }
  [text, kind, rights].forEach(function (field) { field.addEventListener("input", filter); });
  form.addEventListener("submit", function (event) { event.preventDefault(); });
})();
