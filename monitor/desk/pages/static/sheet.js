// A sheet stands as of its time, says how old it is, and is hatched when it is old; P prints it, Escape goes back to the desk.

import { age } from "./server.js";

const OLD_MS = 60000;

setInterval(() => {
  const ms = performance.now();
  document.getElementById("aged").textContent = `, ${age(Math.floor(ms / 1000) * 1000)} ago${ms > OLD_MS ? ": load it again" : ""}`;
  document.body.classList.toggle("stale", ms > OLD_MS);
}, 1000);

document.addEventListener("keydown", (event) => {
  if (event.ctrlKey || event.metaKey || event.altKey || event.target.matches("textarea, input, select")) return;
  if (event.key.toLowerCase() === "p") window.print();
  if (event.key === "Escape") location.href = "/";
});
