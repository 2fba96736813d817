// Fingers, mouse and wheel. One finger pans, or drags the chosen mark. Held still for a moment it aims:
// a glass shows what lies under it, it slides to the place meant, and lifting it is the tap.
const TAP_SLOP_CSS = 7, DOUBLE_MS = 320, DOUBLE_CSS = 14, GRIP_CSS = 22, HOLD_MS = 350, FINGER_CSS = 26;

function listenPointers(S) {
  const P = { down: new Map(), act: null, lastTap: null };
  const at = (e) => {
    const box = S.canvas.getBoundingClientRect();
    return [e.clientX - box.left, e.clientY - box.top];
  };

  S.on(S.canvas, "pointerdown", (e) => {
    if (e.button > 0) return;
    S.canvas.setPointerCapture(e.pointerId);
    S.canvas.focus({ preventScroll: true });
    P.down.set(e.pointerId, at(e));
    if (P.down.size === 2) { cancelDrag(S, P); P.act = { kind: "pinch", ...spread(P) }; }
    else if (P.down.size === 1) P.act = startAct(S, at(e), e.pointerType === "touch");
    clearTimeout(P.hold);
    const act = P.act;
    if (act?.kind === "pan" && act.touch && !S.data.busy) {
      // where marks stand closer than a finger the glass is there at once
      if (S.hit(...act.start, FINGER_CSS)) S.glass = act.start;
      P.hold = setTimeout(() => {
        if (P.act !== act || act.moved) return;
        act.kind = "aim"; S.glass = act.start; S.say("Slide to the place you mean, then let go."); S.paint();
      }, HOLD_MS);
    }
    S.paint();
  });

  S.on(S.canvas, "pointermove", (e) => {
    if (!P.down.has(e.pointerId) || !P.act) return;
    const now = at(e), was = P.down.get(e.pointerId);
    P.down.set(e.pointerId, now);
    if (P.act.kind === "pinch") movePinch(S, P);
    else if (P.down.size === 1) moveAct(S, P.act, now, was);
    S.paint();
  });

  const end = (e, cancelled) => {
    if (!P.down.delete(e.pointerId)) return;
    const act = P.act;
    clearTimeout(P.hold);
    if (P.down.size === 1 && act?.kind === "pinch") { P.act = { kind: "ended" }; return; }
    if (P.down.size) return;
    P.act = null; S.glass = null;
    if (cancelled) { cancelDrag(S, { act }); S.paint(); return; }
    const aimed = act?.kind === "aim";
    if (aimed && act.moved) act.mark = S.hit(...at(e), RING_CSS, S.glassZoom(...at(e)));
    if (aimed || (act && !act.moved && ["pan", "mark", "handle"].includes(act.kind))) tap(S, P, act, at(e), e.timeStamp);
    else if (act) finishAct(S, act);
    S.paint();
  };
  S.on(S.canvas, "pointerup", (e) => end(e, false));
  S.on(S.canvas, "pointercancel", (e) => end(e, true));
  S.on(S.canvas, "wheel", (e) => {
    e.preventDefault();
    S.view.zoom(Math.exp(-e.deltaY * (e.deltaMode ? 0.05 : 0.0016)), ...at(e));
    S.paint(); S.wantRegion();
  }, { passive: false });
}

function spread(P) {
  const [a, b] = [...P.down.values()];
  return { gap: Math.hypot(a[0] - b[0], a[1] - b[1]), mid: [(a[0] + b[0]) / 2, (a[1] + b[1]) / 2] };
}

function movePinch(S, P) {
  const was = { gap: P.act.gap, mid: P.act.mid };
  Object.assign(P.act, spread(P));
  S.view.pan(P.act.mid[0] - was.mid[0], P.act.mid[1] - was.mid[1]);
  S.view.zoom(P.act.gap / Math.max(1, was.gap), ...P.act.mid);
}

function startAct(S, [cx, cy], touch) {
  const base = { start: [cx, cy], moved: false, touch };
  if (S.job === "limb" || S.job === "scale") {
    const points = S.job === "limb" ? S.handles : S.scalePoints;
    const i = S.job === "limb" && S.fresh ? -1 : nearestPoint(S, points, cx, cy);
    return i < 0 ? { ...base, kind: "pan" } : { ...base, kind: "handle", points, i, from: [...points[i]] };
  }
  const chosen = S.marks.get(S.selected);
  if (chosen) {
    const [hx, hy] = handleAt(chosen, S.view);
    if (Math.hypot(cx - hx, cy - hy) < GRIP_CSS) return { ...base, kind: "grip", mark: chosen };
  }
  const mark = S.hit(cx, cy, S.job === "doubt" ? FINGER_CSS : RING_CSS);
  return { ...base, kind: mark && mark.id === S.selected ? "mark" : "pan", mark };
}

function nearestPoint(S, points, cx, cy) {
  let best = [26, -1];
  points.forEach((p, i) => {
    const [x, y] = S.view.toCss(p[0], p[1]), d = Math.hypot(x - cx, y - cy);
    if (d < best[0]) best = [d, i];
  });
  return best[1];
}

function moveAct(S, act, now, was) {
  if (!act.moved && Math.hypot(now[0] - act.start[0], now[1] - act.start[1]) < TAP_SLOP_CSS) return;
  act.moved = true;
  const [dx, dy] = [(now[0] - act.start[0]) / S.view.k, (now[1] - act.start[1]) / S.view.k];
  if (act.kind === "pan") { S.view.pan(now[0] - was[0], now[1] - was[1]); S.wantRegion(); }
  if (act.kind === "handle") {
    act.points[act.i] = S.inside(act.from[0] + dx, act.from[1] + dy);
    if (S.job === "limb") S.linePreview = S.handles;
  }
  if (act.kind === "mark") {
    const [x, y] = S.inside(act.mark.x_px + dx, act.mark.y_px + dy);
    S.selected = act.mark.id;
    S.marks.set(act.mark.id, { ...act.mark, x_px: x, y_px: y });
  }
  if (act.kind === "grip") {
    const [x, y] = S.view.toCss(act.mark.x_px, act.mark.y_px);
    const r = (Math.hypot(now[0] - x, now[1] - y) / 1.103 - 16) / S.view.k;
    S.marks.set(act.mark.id, { ...act.mark, r_px: Math.max(2, r) });
  }
  S.glass = act.touch && act.kind !== "pan" ? now : null;
}

function finishAct(S, act) {
  if (act.kind === "mark" || act.kind === "grip") {
    const after = S.marks.get(act.mark.id);
    S.marks.set(act.mark.id, act.mark);
    if (!after || !act.moved) return;
    const patch = act.kind === "mark" ? { x_px: after.x_px, y_px: after.y_px } : { r_px: after.r_px };
    S.edit(change(act.mark, patch, act.kind === "mark" ? "move" : "resize"));
    S.say(act.kind === "mark" ? "Moved. Undo puts it back." : "Resized. Undo puts it back.");
  } else if (act.kind === "handle" && act.moved && S.job === "limb") S.sendLine();
}

// A second finger came down, or the system took the pointer: put back what was being dragged.
function cancelDrag(S, P) {
  const act = P.act;
  if (act?.kind !== "pan" && act?.mark && S.marks.has(act.mark.id)) S.marks.set(act.mark.id, act.mark);
  if (act?.kind === "handle") act.points[act.i] = act.from;
  S.glass = null;
}

function tap(S, P, act, [cx, cy], now) {
  const last = P.lastTap;
  P.lastTap = { now, cx, cy, added: null };
  if (last && act.touch && now - last.now < DOUBLE_MS && Math.hypot(cx - last.cx, cy - last.cy) < DOUBLE_CSS) {
    P.lastTap = null;
    if (last.added && S.marks.has(last.added)) S.undo();
    S.view.zoom(S.view.k > S.view.fitK * 2 ? 1e-6 : 3, cx, cy);
    S.wantRegion();
    return;
  }
  if (S.data.busy) return;
  const [x, y] = S.view.toPhoto(cx, cy);
  if (act.kind === "handle" && !(S.job === "limb" && S.fresh) && S.job !== "scale") return;
  if (!S.isInside(x, y)) return;
  if (S.job === "limb") S.tapLine([x, y]);
  else if (S.job === "scale") S.tapScale([x, y]);
  else if (act.mark) S.tapMark(act.mark);
  else if (S.job === "doubt") S.say("Tap a doubtful mark. To add a fruit go to Marks.");
  else { S.selected = null; P.lastTap.added = S.addAt(x, y); }
}
