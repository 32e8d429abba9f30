/* Respond: a draft kept on this machine, and one small file to send back. */
(function () {
  "use strict";
  var form = page.$("response"), status = page.$("response-status");
  if (!form) { return; }
  var key = "dossier-response:" + page.data.beat + ":" + page.data.identity, id = null;

  function newId() {
    var raw = new Uint8Array(12), text = "";
    crypto.getRandomValues(raw);
    raw.forEach(function (v) { text += (v < 16 ? "0" : "") + v.toString(16); });
    return text;
  }
  function fields() { return page.all("fieldset[data-proposal]", form); }
  function read() {
    var marks = [];
    fields().forEach(function (field) {
      var mark = field.querySelector("input[type='radio']:checked"), note = field.querySelector("input[type='text']").value.trim();
      if (mark) { marks.push({ proposal: field.getAttribute("data-proposal"), mark: mark.value, note: note }); }
    });
    return { marks: marks, notes: form.elements.notes.value.trim(), name: form.elements.name.value.trim() };
  }
  function draft() {
    var kept = { id: id, name: form.elements.name.value, notes: form.elements.notes.value, fields: {} };
    fields().forEach(function (field) {
      var mark = field.querySelector("input[type='radio']:checked");
      kept.fields[field.getAttribute("data-proposal")] = [mark ? mark.value : "", field.querySelector("input[type='text']").value];
    });
    page.keep(key, JSON.stringify(kept));
  }
  function restore() {
    var kept = null;
    try { kept = JSON.parse(page.kept(key)); } catch (error) { /* a damaged draft is no draft */ }
    if (!kept || typeof kept !== "object") { return; }
    id = typeof kept.id === "string" ? kept.id : null;
    form.elements.name.value = String(kept.name || "");
    form.elements.notes.value = String(kept.notes || "");
    fields().forEach(function (field) {
      var found = (kept.fields || {})[field.getAttribute("data-proposal")];
      if (!found) { return; }
      page.all("input[type='radio']", field).forEach(function (radio) { radio.checked = radio.value === found[0]; });
      field.querySelector("input[type='text']").value = String(found[1] || "");
    });
    status.textContent = "Your draft from before is here again.";
  }

  page.response = function () {
    var said = read();
    id = id || newId();
    return {
      format: "dossier response", format_version: 1, id: id, beat: page.data.beat, revision: page.data.revision,
      identity: page.data.identity, name: said.name, made: new Date().toISOString().replace(/\.\d+Z$/, "Z"), marks: said.marks,
      notes: said.notes, gains_db: form.elements.gains && form.elements.gains.checked ? page.whatIfGains() : {}
    };
  };
  form.addEventListener("submit", function (event) {
    event.preventDefault();
    var said = read(), lost = fields().filter(function (field) {
      return field.querySelector("input[type='text']").value.trim() && !field.querySelector("input[type='radio']:checked");
    });
    if (lost.length) {
      status.textContent = "A note without a mark would be lost: choose 'agreed' or 'to change' beside it.";
      lost[0].querySelector("input[type='radio']").focus();
      return;
    }
    if (!said.marks.length && !said.notes && !(form.elements.gains && form.elements.gains.checked)) {
      status.textContent = "There is nothing to save yet: mark a proposal or write a note.";
      return;
    }
    if (!said.name) {
      status.textContent = "Please write your name, so that the answer can be told from others.";
      form.elements.name.focus();
      return;
    }
    var name = page.baseName() + "-response.json";
    page.saveFile(name, JSON.stringify(page.response(), null, 1) + "\n", "application/json");
    draft();
    status.textContent = "Saved as " + name + ". Send that file back; nothing was sent from here.";
  });
  form.addEventListener("input", draft);
  page.all("[data-clear]", form).forEach(function (button) {
    button.addEventListener("click", function () {
      page.all("input[name='" + button.getAttribute("data-clear") + "']", form).forEach(function (radio) { radio.checked = false; });
      draft();
    });
  });
  page.$("response-forget").addEventListener("click", function () {
    page.forget(key);
    form.reset();
    id = null;
    status.textContent = "The draft is gone.";
  });
  restore();
})();
