// Helps to begin a grove: the phone's position and zone, and a whole folder at once. The form works
// without it.
"use strict";
(() => {
  const field = (name) => document.getElementById(name);
  const zone = field("time_zone");
  if (zone && !zone.value) zone.value = Intl.DateTimeFormat().resolvedOptions().timeZone || "";
  const folder = document.querySelector("[data-folder]");
  if (folder && "webkitdirectory" in document.createElement("input")) folder.hidden = false;
  const button = document.querySelector("[data-position]");
  if (!button || !("geolocation" in navigator) || !window.isSecureContext) return;
  const said = field("position-said");
  button.hidden = false;
  button.addEventListener("click", () => {
    said.textContent = " Looking for the position ...";
    navigator.geolocation.getCurrentPosition(
      ({ coords }) => {
        field("latitude_deg").value = coords.latitude.toFixed(5);
        field("longitude_deg").value = coords.longitude.toFixed(5);
        said.textContent = ` Position taken, good to ${Math.ceil(coords.accuracy)} m.`;
      },
      (error) => { said.textContent = ` No position: ${error.message}. Type it instead.`; },
      { enableHighAccuracy: true, timeout: 20000 },
    );
  });
})();
