// On every page, before it is painted: that scripts run here, and whether this screen was dimmed last.  B dims it, or lights it again.

(() => {
  const KEPT = "tallywatch-dimmed";
  const root = document.documentElement;
  const dim = (is) => root.toggleAttribute("data-dimmed", is);
  const kept = () => { try { return localStorage.getItem(KEPT) === "1"; } catch { return false; } };

  root.toggleAttribute("data-script", true);
  dim(kept());
  addEventListener("storage", (event) => { if (event.key === KEPT) dim(kept()); });
  addEventListener("keydown", (event) => {
    if (event.key.toLowerCase() !== "b" || event.ctrlKey || event.metaKey || event.altKey) return;
    if (event.target.matches?.("textarea, input, select") || document.querySelector("dialog[open]")) return;
    const is = !root.hasAttribute("data-dimmed");
    dim(is);
    try { localStorage.setItem(KEPT, is ? "1" : "0"); } catch { /* only for this page, then */ }
  });
})();
