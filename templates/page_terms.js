/* Definitions of terms, unfolding for print. */
(function () {
  "use strict";
  var box = page.$("definition"), shown = null;

  function hide() { box.hidden = true; shown = null; }
  function show(term) {
    var text = page.$(term.getAttribute("aria-describedby"));
    if (!text) { return; }
    shown = term;
    box.textContent = text.textContent;
    box.hidden = false;
    var at = term.getBoundingClientRect(), size = box.getBoundingClientRect();
    var left = Math.min(Math.max(8, at.left), document.documentElement.clientWidth - size.width - 8);
    var above = at.top - size.height - 8;
    box.style.left = Math.max(8, left) + "px";
    box.style.top = (above > 8 ? above : at.bottom + 8) + "px";
  }
  page.all(".term").forEach(function (term) {
    term.addEventListener("pointerenter", function () { show(term); });
    term.addEventListener("focus", function () { show(term); });
    term.addEventListener("blur", hide);
    term.addEventListener("pointerleave", function (event) {
      if (event.relatedTarget !== box && document.activeElement !== term) { hide(); }
    });
  });
  box.addEventListener("pointerleave", hide);
  document.addEventListener("keydown", function (event) { if (event.key === "Escape" && shown) { hide(); } });
  /* Keyboard focus may scroll the page: the definition follows its term. */
  addEventListener("scroll", function () { if (shown) { show(shown); } }, { passive: true });

  var opened = [];
  addEventListener("beforeprint", function () {
    opened = page.all("details:not([open])").filter(function (fold) { return !fold.closest(".player"); });
    opened.forEach(function (fold) { fold.open = true; });
  });
  addEventListener("afterprint", function () { opened.forEach(function (fold) { fold.open = false; }); opened = []; });

  if (location.hash && page.$(location.hash.slice(1))) {
    var fold = page.$(location.hash.slice(1)).closest("details");
    if (fold) { fold.open = true; }
  }
})();
