// A part of the program that did not arrive (a phone changing networks) leaves an empty page. It is
// asked for again as soon as the server answers; after three times in a minute, a person decides.
(() => {
  const KEY = "fc-again", MOST = 3;
  let waiting = false;
  const earlier = () => {
    try { return JSON.parse(sessionStorage.getItem(KEY) || "[]").filter((t) => Date.now() - t < 60000); } catch { return []; }
  };
  const line = (text) => {
    const word = Object.assign(document.createElement("p"), { className: "fc-again", textContent: text });
    word.setAttribute("role", "alert");
    document.body.append(word);
    return word;
  };
  const say = () => line("This page did not arrive whole. Check the network, then reload it.");
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
  // The framework's own box about a lost server is closed, and one line stands there until it is back.
  let lost = null;
  const back = () => fetch("/_stcore/health", { cache: "no-store" }).then((got) => {
    if (!got.ok) throw got;
    lost.remove(); lost = null;
  }).catch(() => setTimeout(back, 2000));
  new MutationObserver(() => {
    const close = document.querySelector("[data-testid=stDialog] button[aria-label=Close]");
    if (!close) return;
    close.click();
    if (!lost) { lost = line("Not connected. Changes on the photo are kept here."); back(); }
  }).observe(document, { childList: true, subtree: true });
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
