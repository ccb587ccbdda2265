/* Trying things out: two places anywhere, or a site moved or raised. */
"use strict";
const meshTrial = (() => {
  function start(app) {
    document.getElementById("open-trial").hidden = !app.canTry();
    app.trySite = () => {};
  }
  return { start };
})();
