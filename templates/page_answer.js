/* The answer: happy or change this, copied as text or saved as one small file; a draft stays on this machine. */
(function () {
  "use strict";
  var form = page.$("answer"), marks = page.all("fieldset[data-proposal]"), status = page.$("answer-status"), text = page.$("answer-text");
  if (!form) { return; }
  var key = "dossier-answer:" + page.data.beat + ":" + page.data.identity, id = null, fields = form.elements, gains = page.$("answer-gains");

  function all() { return page.all("input[type='radio']").concat(page.all("input[type='text'], textarea")).filter(own); }
  function own(field) { return field.name && field.name !== "hear" && field.name !== "map-view"; }
  function keep() {
    var kept = { id: id, blind: page.blindRuns() };
    all().forEach(function (field) {
      if (field.type !== "radio") { kept[field.name] = field.value; } else if (field.checked) { kept[field.name] = field.value; }
    });
    page.keep(key, JSON.stringify(kept));
  }
  function restore() {
    var kept = null;
    try { kept = JSON.parse(page.kept(key)); } catch (error) { /* a damaged draft is no draft */ }
    if (!kept || typeof kept !== "object") { return; }
    id = typeof kept.id === "string" ? kept.id : null;
    page.blindRuns(kept.blind);
    all().forEach(function (field) {
      var value = String(kept[field.name] === undefined ? "" : kept[field.name]);
      if (field.type === "radio") { field.checked = field.value === value; } else { field.value = value; }
    });
  }
  function detailed() {
    return marks.map(function (field) {
      var mark = field.querySelector("input[type='radio']:checked"), note = field.querySelector("input[type='text']").value.trim();
      return mark || note ? { proposal: field.getAttribute("data-proposal"), mark: mark ? mark.value : "to change", note: note } : null;
    }).filter(Boolean);
  }
  page.response = function () {
    var said = detailed(), overall = fields.overall.value, marked = said.map(function (each) { return each.proposal; });
    page.data.asked.forEach(function (proposal, place) {
      var whole = overall === "agreed" || (overall === "to change" && place === 0 && !said.some(function (each) { return each.mark === "to change"; }));
      if (whole && marked.indexOf(proposal) < 0) { said.push({ proposal: proposal, mark: overall, note: "" }); }
    });
    id = id || page.newId();
    return {
      format: "dossier response", format_version: 2, id: id, beat: page.data.beat, revision: page.data.revision,
      identity: page.data.identity, name: fields.name.value.trim(), made: page.stamp(),
      marks: said, notes: fields.notes.value.trim(), gains_db: gains && gains.checked ? page.whatIfGains() : {}, blind: page.blindRuns()
    };
  };
  page.answerText = function () {
    var answer = page.response(), lines = [page.data.title + ", " + page.data.revision + ": " + ({ agreed: "happy", "to change": "change this" }[fields.overall.value] || (detailed().length ? "point by point" : "compared blind"))];
    if (answer.notes) { lines.push(answer.notes); }
    detailed().forEach(function (each) { lines.push("- " + each.proposal + ": " + each.mark + (each.note ? ": " + each.note : "")); });
    Object.keys(answer.gains_db).forEach(function (part) { lines.push("Level of " + part + ": " + answer.gains_db[part].toFixed(1) + " dB"); });
    lines = lines.concat(page.blindLines());
    if (answer.name) { lines.push("Name: " + answer.name); }
    return lines.join("\n") + "\n[dossier " + answer.beat + " " + answer.revision + " " + answer.identity.slice(0, 12) + "]\n";
  };
  function complete() {
    if (fields.overall.value || detailed().length || page.blindRuns().length) { return true; }
    status.textContent = "Choose happy or change this first.";
    return false;
  }
  function shown() { page.$("answer-more").hidden = !fields.overall.value && !page.blindRuns().length; }
  page.answerChanged = function () { keep(); shown(); };
  form.addEventListener("change", shown);
  page.$("copy-answer").addEventListener("click", function () {
    if (!complete()) { return; }
    text.value = page.answerText();
    text.hidden = false;
    text.select();
    /* Pages that are opened from a file may not have a clipboard; the old way works there. */
    var done = document.execCommand("copy");
    status.textContent = done ? "Copied. Paste it into a message." : "Copy the text above and send it.";
  });
  form.addEventListener("submit", function (event) {
    event.preventDefault();
    if (!complete()) { return; }
    var name = page.baseName() + "-response.json";
    page.saveFile(name, JSON.stringify(page.response(), null, 1) + "\n", "application/json");
    keep();
    status.textContent = "Saved as " + name + ". Send that file back.";
  });
  page.$("forget").addEventListener("click", function () {
    page.forget(key);
    all().forEach(function (field) { if (field.type === "radio") { field.checked = false; } else { field.value = ""; } });
    id = null;
    page.blindRuns([]);
    text.hidden = true;
    shown();
    status.textContent = "Cleared.";
  });
  document.addEventListener("input", function (event) { if (own(event.target)) { keep(); } });
  restore();
  shown();
})();
