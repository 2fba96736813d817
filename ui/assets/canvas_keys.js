// Everything that a finger can do, from the keyboard.
const KEY_LABELS = { 1: "fruit", 2: "yellowing", 3: "damaged", 4: "elsewhere" };

function listenKeys(S) {
  S.on(S.canvas, "keydown", (e) => {
    if (S.data?.busy) return;
    const key = e.key.length === 1 ? e.key.toLowerCase() : e.key;
    const done = e.ctrlKey || e.metaKey ? controlKey(S, key, e.shiftKey) : plainKey(S, key, e.shiftKey);
    if (!done) return;
    e.preventDefault(); e.stopPropagation(); S.paint();
  });
}

function controlKey(S, key, shift) {
  if (key === "z" && !shift) { S.undo(); return true; }
  if (key === "y" || key === "z") { S.redo(); return true; }
  return false;
}

function plainKey(S, key, shift) {
  const arrows = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
  if (key in arrows && shift) { S.nudge(...arrows[key]); return true; }
  if (key in KEY_LABELS) { S.setLabel(KEY_LABELS[key]); return true; }
  const doing = {
    ArrowLeft: () => S.step(-1), ArrowRight: () => S.step(1),
    ArrowUp: () => S.zoomBy(1.4), ArrowDown: () => S.zoomBy(1 / 1.4),
    Delete: () => S.remove(), Backspace: () => S.remove(),
    u: () => S.undo(), r: () => S.redo(), w: () => S.do.whole(),
    p: () => S.addAt(...S.view.toPhoto(S.view.w / 2, S.view.h / 2)),
    c: () => { S.setJob("doubt"); S.stepDoubt(1); }, Enter: () => S.do.right(),
    "+": () => S.grow(1.08), "=": () => S.grow(1.08), "-": () => S.grow(1 / 1.08),
    Escape: () => S.select(null),
  }[key];
  if (!doing) return false;
  doing();
  return true;
}
