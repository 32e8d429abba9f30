/* Numbers as text, on both pages, by the rules of the text around them: a true minus sign, a no-break space before the
   unit, an en dash where nothing could be measured, no sign on zero, and halves rounded to even. */
var format = (function () {
  "use strict";
  var NBSP = "\u00a0", MISSING = "\u2013", MINUS = "\u2212";
  function missing(value) { return value === null || value === undefined || !isFinite(value); }
  /* toFixed rounds the exact binary value, but ties always up: ties go to even here, as in Python. */
  function rounded(value, digits) {
    var text = value.toFixed(digits), power = Math.pow(10, digits), last = Math.round(Number(text) * power);
    var isHalf = value * Math.pow(2, digits + 1) % 2 === 1;
    return isHalf && last % 2 === 1 ? ((last - 1) / power).toFixed(digits) : text;
  }
  function number(value, digits, sign) {
    if (missing(value)) { return MISSING; }
    var text = rounded(Math.abs(value), digits);
    return (!/[1-9]/.test(text) ? "" : value < 0 ? MINUS : sign ? "+" : "") + text;
  }
  function plain(value, digits) {
    var text = number(value, digits);
    return text.indexOf(".") < 0 ? text : text.replace(/\.?0+$/, "");
  }
  function unit(value, digits, name, sign) {
    return missing(value) ? MISSING : number(value, digits, sign) + NBSP + name;
  }
  function percent(share, sign) { return missing(share) ? MISSING : unit(100 * share, 0, "%", sign); }
  function smallPercent(share) { return missing(share) ? MISSING : unit(100 * share, Math.abs(share) < 0.0995 ? 1 : 0, "%"); }
  return { NBSP: NBSP, MISSING: MISSING, number: number, plain: plain, unit: unit, percent: percent, smallPercent: smallPercent };
})();
