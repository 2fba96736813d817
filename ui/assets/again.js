// A part of the program that did not arrive (a phone changing networks) leaves an empty page. It is
// asked for again as soon as the server answers; after three times in a minute, a person decides.
(() => {
  const KEY = "fc-again", MOST = 3;
  let waiting = false;
  const earlier = () => {
    try { return JSON.parse(sessionStorage.getItem(KEY) || "[]").filter((t) => Date.now() - t < 60000); } catch { return []; }
  };
  const say = () => {
    const word = Object.assign(document.createElement("p"), {
      className: "fc-again", textContent: "This page did not arrive whole. Check the network, then reload it.",
    });
    word.setAttribute("role", "alert");
    document.body.append(word);
  };
  const reload = () => {
    const times = earlier();
    if (times.length >= MOST) { say(); return; }
    try { sessionStorage.setItem(KEY, JSON.stringify([...times, Date.now()])); } catch { say(); return; }
    location.reload();
  };
  const ask = () => {
    const later = () => setTimeout(ask, 1500);
    fetch("/_stcore/health", { cache: "no-store" }).then((got) => (got.ok ? reload() : later()), later);
  };
  const missed = () => {
    if (waiting) return;
    waiting = true;
    setTimeout(ask, 500);
  };
  addEventListener("error", (event) => {
    const part = event.target;
    if (part instanceof HTMLScriptElement || (part instanceof HTMLLinkElement && /modulepreload|stylesheet/.test(part.rel))) missed();
  }, true);
  addEventListener("vite:preloadError", missed);
})();
