// The code comes behind the # of the address, which no server and no log ever sees; it goes on by the form only.
"use strict";

const scan = () => {
  const scanned = location.hash.slice(1);
  if (!/^[A-Za-z2-7]{16,40}$/.test(scanned)) return;
  document.getElementById("code").value = scanned;
  document.getElementById("code-field").hidden = true;
  document.getElementById("code-scanned").hidden = false;
  // It must not stay in the history of the phone.
  history.replaceState(null, "", location.pathname);
  document.getElementById("name").focus();
};

// Another code may be scanned while this page is still open.
addEventListener("hashchange", scan);
scan();
