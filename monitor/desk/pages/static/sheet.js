// A sheet stands as of its time; P prints it, D goes back to the desk.
document.addEventListener("keydown", (event) => {
  if (event.ctrlKey || event.metaKey || event.altKey || event.target.matches("textarea, input, select")) return;
  if (event.key.toLowerCase() === "p") window.print();
  if (event.key === "Escape") location.href = "/";
});
