(function () {
  "use strict";
})();
