// Drawing. Every stroke is black, then white, then colour: readable on leaf, sky and bark alike.
// Colours: Okabe and Ito's set. Shape tells the label, the inner sign tells what to do.
const INK = { fruit: "#56b4e9", yellowing: "#f0e442", damaged: "#d55e00", elsewhere: "#bebebe" };
const ACTION_INK = { keep: "#56b4e9", pinch: "#d55e00", cut: "#e69f00" };
const RING_CSS = 7;

function shapePath(path, label, x, y, r) {
  if (label === "yellowing") {
    const h = r * 1.25;
    path.moveTo(x, y + h); path.lineTo(x + h * 0.95, y - h * 0.72); path.lineTo(x - h * 0.95, y - h * 0.72);
    path.closePath();
  } else if (label === "damaged") {
    path.rect(x - r, y - r, 2 * r, 2 * r);
  } else if (label === "elsewhere") {
    for (let i = 0; i < 8; i++) {
      const a = (i * Math.PI) / 4;
      path.moveTo(x + r * Math.cos(a), y + r * Math.sin(a));
      path.arc(x, y, r, a, a + 0.42);
    }
  } else {
    path.moveTo(x + r, y); path.arc(x, y, r, 0, 2 * Math.PI);
  }
}

function actionPath(path, action, x, y, r) {
  const s = Math.max(3, r * 0.5);
  if (action === "keep") { path.moveTo(x + 1.5, y); path.arc(x, y, 1.5, 0, 2 * Math.PI); }
  if (action === "pinch") { path.moveTo(x - s, y - s); path.lineTo(x + s, y + s); }
  if (action === "pinch" || action === "cut") { path.moveTo(x - s, y + s); path.lineTo(x + s, y - s); }
}

function stroke3(ctx, path, colour, width, edge = 3.4) {
  ctx.lineJoin = "round"; ctx.lineCap = "round";
  for (const [ink, w] of [["#000", width + edge], ["#fff", width + edge * 0.4], [colour, width]]) {
    ctx.strokeStyle = ink; ctx.lineWidth = w; ctx.stroke(path);
  }
}

// Small marks get thin strokes, so that a cluster stays a cluster of rings in the whole view.
function drawMarks(ctx, S, view) {
  const groups = new Map(), small = [];
  for (const m of S.marks.values()) {
    const faint = S.job === "doubt" ? !isDoubtful(m, S.data.doubt_below) : S.job !== "fruit";
    const [x, y] = view.toCss(m.x_px, m.y_px);
    const r = Math.max(RING_CSS, m.r_px * view.k);
    if (x < -r || y < -r || x > view.w + r || y > view.h + r) continue;
    const label = labelOf(m), thin = r < 14 ? 1 : 0;
    if (thin && !faint && label !== "elsewhere") small.push([x, y, r]);
    const action = label === "elsewhere" || label === "yellowing" ? "" : S.data.actions[m.id] || "";
    const key = `${faint ? 0 : label === "elsewhere" ? 1 : 2}${thin} ${ACTION_INK[action] || INK[label]}`;
    if (!groups.has(key)) groups.set(key, new Path2D());
    shapePath(groups.get(key), label, x, y, r);
    if (!faint && action) actionPath(groups.get(key), action, x, y, r);
  }
  for (const key of [...groups.keys()].sort()) {
    ctx.globalAlpha = [0.35, 0.7, 1][key[0]];
    const thin = key[1] === "1";
    stroke3(ctx, groups.get(key), key.slice(3), [1.2, 1.2, thin ? 1.5 : 2.6][key[0]], thin ? 1.8 : 3.4);
  }
  ctx.globalAlpha = 1;
  drawHeaps(ctx, small, view.w);
}

// How many there are, where three or more marks run into one another.
function drawHeaps(ctx, marks, width) {
  const left = [...marks];
  while (left.length) {
    const heap = [left.pop()];
    for (const [x, y, r] of heap) {
      for (let i = left.length - 1; i >= 0; i--) {
        if (Math.hypot(left[i][0] - x, left[i][1] - y) < 0.6 * (r + left[i][2])) heap.push(...left.splice(i, 1));
      }
    }
    if (heap.length < 3) continue;
    const x = Math.min(width - 12, Math.max(...heap.map((m) => m[0] + m[2])) + 9), y = Math.min(...heap.map((m) => m[1] - m[2])) - 3;
    word(ctx, heap.length, x, y);
  }
}

function word(ctx, text, x, y) {
  ctx.font = "700 16px sans-serif"; ctx.textAlign = "center"; ctx.textBaseline = "middle";
  ctx.lineWidth = 4; ctx.lineJoin = "round"; ctx.strokeStyle = "#000"; ctx.fillStyle = "#fff";
  ctx.strokeText(text, x, y); ctx.fillText(text, x, y);
}

function drawSelected(ctx, S, view) {
  const m = S.marks.get(S.selected);
  if (!m) return;
  const [x, y] = view.toCss(m.x_px, m.y_px);
  const r = Math.max(RING_CSS, m.r_px * view.k) + 6;
  const corners = new Path2D();
  for (const [a, b] of [[-1, -1], [1, -1], [-1, 1], [1, 1]]) {
    corners.moveTo(x + a * r, y + b * r * 0.55); corners.lineTo(x + a * r, y + b * r);
    corners.lineTo(x + a * r * 0.55, y + b * r);
  }
  stroke3(ctx, corners, "#fff", 2.4);
  const [hx, hy] = handleAt(m, view);
  const grip = new Path2D();
  grip.arc(hx, hy, 7, 0, 2 * Math.PI);
  ctx.fillStyle = "#fff"; ctx.fill(grip);
  stroke3(ctx, grip, "#0072b2", 2.4);
}

function handleAt(m, view) {
  const [x, y] = view.toCss(m.x_px, m.y_px);
  const r = Math.max(RING_CSS, m.r_px * view.k) + 16;
  return [x + r * 0.78, y + r * 0.78];
}

function drawLine(ctx, S, view) {
  const editing = S.job === "limb";
  const line = S.linePreview || S.data.line;
  if (line.length > 1) {
    const path = new Path2D();
    line.forEach((p, i) => path[i ? "lineTo" : "moveTo"](...view.toCss(p[0], p[1])));
    ctx.setLineDash(editing ? [] : [10, 7]);
    stroke3(ctx, path, "#ffffff", editing ? 2.4 : 1.4);
    ctx.setLineDash([]);
  }
  for (const cut of S.job === "fruit" ? S.data.cuts_px : []) {
    const path = new Path2D();
    path.moveTo(...view.toCss(cut[0], cut[1])); path.lineTo(...view.toCss(cut[2], cut[3]));
    stroke3(ctx, path, "#cc79a7", 5);
  }
  if (S.data.ask === "ends" && line.length) {
    const [x, y] = view.toCss(...line[0]), base = new Path2D();
    base.rect(x - 9, y - 9, 18, 18);
    stroke3(ctx, base, "#e69f00", 3);
    word(ctx, "base?", x < view.w / 2 ? x + 38 : x - 38, y);
  }
  if (!editing) return;
  S.handles.forEach((p, i) => {
    const path = new Path2D();
    const [x, y] = view.toCss(p[0], p[1]);
    if (i === 0) path.rect(x - 9, y - 9, 18, 18); else path.arc(x, y, 7, 0, 2 * Math.PI);
    ctx.fillStyle = "#0008"; ctx.fill(path);
    stroke3(ctx, path, i === 0 ? "#e69f00" : "#56b4e9", 3);
  });
}

function drawScale(ctx, S, view) {
  const points = S.job === "scale" ? S.scalePoints : [];
  const outline = new Path2D();
  const card = S.data.card_px;
  card.forEach((p, i) => outline[i ? "lineTo" : "moveTo"](...view.toCss(p[0], p[1])));
  if (card.length) { outline.closePath(); stroke3(ctx, outline, "#009e73", 2); }
  if (!points.length) return;
  const path = new Path2D();
  points.forEach((p, i) => path[i ? "lineTo" : "moveTo"](...view.toCss(p[0], p[1])));
  for (const p of points) {
    const [x, y] = view.toCss(p[0], p[1]);
    path.moveTo(x - 12, y); path.lineTo(x + 12, y); path.moveTo(x, y - 12); path.lineTo(x, y + 12);
  }
  stroke3(ctx, path, "#e69f00", 2);
}

// A round glass in the far upper corner: the finger hides what it drags.
function drawGlass(ctx, S, view) {
  if (!S.glass) return;
  const R = Math.min(72, view.w / 5), [px, py] = S.glass;
  const cx = px > view.w / 2 ? R + 8 : view.w - R - 8, cy = R + 8;
  ctx.save();
  ctx.beginPath(); ctx.arc(cx, cy, R, 0, 2 * Math.PI); ctx.clip();
  ctx.fillStyle = "#14181a"; ctx.fillRect(cx - R, cy - R, 2 * R, 2 * R);
  const near = view.around(px, py, S.glassZoom(px, py), cx, cy);
  drawPhoto(ctx, S, near); drawLine(ctx, S, near); drawMarks(ctx, S, near); drawScale(ctx, S, near);
  ctx.restore();
  const ring = new Path2D();
  ring.arc(cx, cy, R, 0, 2 * Math.PI);
  ring.moveTo(cx - 5, cy); ring.lineTo(cx + 5, cy); ring.moveTo(cx, cy - 5); ring.lineTo(cx, cy + 5);
  stroke3(ctx, ring, "#fff", 1.6);
}

function drawPhoto(ctx, S, view) {
  for (const part of [S.preview, S.region]) {
    if (!part) continue;
    const [x0, y0] = view.toCss(part.x - 0.5, part.y - 0.5);
    ctx.drawImage(part.image, x0, y0, part.w * view.k, part.h * view.k);
  }
}

function drawAll(S) {
  const { ctx, view } = S;
  ctx.setTransform(S.dpr, 0, 0, S.dpr, 0, 0);
  ctx.fillStyle = "#14181a"; ctx.fillRect(0, 0, view.w, view.h);
  ctx.imageSmoothingEnabled = view.k < 3;
  drawPhoto(ctx, S, view); drawLine(ctx, S, view); drawMarks(ctx, S, view);
  drawScale(ctx, S, view); drawSelected(ctx, S, view); drawGlass(ctx, S, view);
}
