/* Small helpers of both pages' scripts; each file after this one adds to `page`. */
var page = {};
(function () {
  "use strict";
  page.$ = function (id) { return document.getElementById(id); };
  page.all = function (selector, inside) { return Array.prototype.slice.call((inside || document).querySelectorAll(selector)); };
  page.newId = function () {
    return Array.from(crypto.getRandomValues(new Uint8Array(12)), function (v) { return (v + 256).toString(16).slice(1); }).join("");
  };
  page.stamp = function () { return new Date().toISOString().replace(/\.\d+Z$/, "Z"); };
  page.saveFile = function (name, text, type) {
    var link = document.createElement("a");
    var url = URL.createObjectURL(new Blob([text], { type: type }));
    link.href = url;
    link.download = name;
    document.body.appendChild(link);
    link.click();
    link.remove();
    setTimeout(function () { URL.revokeObjectURL(url); }, 60000);
  };
})();
