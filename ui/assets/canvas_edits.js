// Pure part: marks, edits and their effect, the same rules as in fruitcount/corrections/edits.py.
const same = (a, b) => JSON.stringify(a) === JSON.stringify(b);
const FIELDS = ["id", "x_px", "y_px", "r_px", "kind", "on_limb", "score", "by_hand"];
const markOf = (row) => Object.fromEntries(FIELDS.map((name, i) => [name, row[i]]));
const labelOf = (m) => (m.on_limb === 0 ? "elsewhere" : m.kind);
const withLabel = (m, label) => (label === "elsewhere"
  ? { ...m, on_limb: 0, by_hand: true } : { ...m, kind: label, on_limb: 1, by_hand: true });
const isDoubtful = (m, below) => !m.by_hand && m.on_limb !== 0 && m.score < below;
const change = (before, patch, what) => (
  { edit: "change", before, after: { ...before, ...patch, by_hand: true }, what });

// Apply one edit to a Map of marks; false when it does not fit (somebody else changed it).
function applyEdit(marks, edit) {
  if (edit.edit === "many") return edit.edits.every((e) => applyEdit(marks, e));
  if (edit.edit === "add") {
    if (marks.has(edit.mark.id)) return false;
    marks.set(edit.mark.id, edit.mark);
    return true;
  }
  const before = edit.edit === "remove" ? edit.mark : edit.before;
  if (!same(marks.get(before.id), before)) return false;
  if (edit.edit === "remove") marks.delete(before.id);
  else marks.set(before.id, edit.after);
  return true;
}

// What takes an edit back; null where only the server can tell (a line, a scale).
function inverseOf(edit) {
  const { edit: kind } = edit;
  if (kind === "many") {
    const back = edit.edits.map(inverseOf).reverse();
    return back.includes(null) ? null : { edit: "many", edits: back };
  }
  if (kind === "add") return { edit: "remove", mark: edit.mark };
  if (kind === "remove") return { edit: "add", mark: edit.mark };
  return kind === "change" ? { ...edit, before: edit.after, after: edit.before } : null;
}

// Marks as the server has them, with what it has not yet acknowledged done on top. Undo takes back
// the last edit of this person, or of the program, whatever others did after it.
function replayed(data, items, me) {
  const mine = (row) => row && (row[0] === me || row[0] === "");
  const marks = new Map(data.marks.map((row) => [row[0], markOf(row)]));
  const done = [...data.done], undone = [...data.undone];
  for (const item of items) {
    if (item.do) { applyEdit(marks, item.do); done.push([me, item.do]); undone.length = 0; }
    const from = item.undo ? done : item.redo && mine(undone.at(-1)) ? undone : [], at = from.findLastIndex(mine);
    if (at < 0) continue;
    const last = at === from.length - 1, [row] = from.splice(at, 1);
    if (last) (item.undo ? undone : done).push(row);
    const now = item.undo ? inverseOf(row[1]) : row[1];
    if (now && now.edit !== "line" && now.edit !== "scale") applyEdit(marks, now);
  }
  return { marks, canUndo: done.some(mine), canRedo: !!mine(undone.at(-1)) };
}

// Radius for a new mark: the middle one of the five nearest, else 2 % of the photo.
function likelyRadius(marks, x, y, photo) {
  const near = [...marks.values()]
    .map((m) => [(m.x_px - x) ** 2 + (m.y_px - y) ** 2, m.r_px])
    .sort((a, b) => a[0] - b[0]).slice(0, 5).map((p) => p[1]).sort((a, b) => a - b);
  return near.length ? near[near.length >> 1] : Math.max(4, 0.02 * Math.min(photo.width_px, photo.height_px));
}

// Evenly spread points along a line, for handles.
function handlesOf(line, count) {
  if (line.length <= count) return line.map((p) => [...p]);
  const at = [0];
  for (let i = 1; i < line.length; i++) {
    at.push(at[i - 1] + Math.hypot(line[i][0] - line[i - 1][0], line[i][1] - line[i - 1][1]));
  }
  const out = [];
  for (let n = 0, i = 0; n < count; n++) {
    const want = (at[at.length - 1] * n) / (count - 1);
    while (i < at.length - 2 && at[i + 1] < want) i++;
    const t = (want - at[i]) / (at[i + 1] - at[i] || 1);
    out.push([0, 1].map((k) => line[i][k] + t * (line[i + 1][k] - line[i][k])));
  }
  return out;
}

// Where a tapped point belongs in a list of handles: the cheapest place, ends included.
function placeInLine(points, p) {
  const d = (a, b) => Math.hypot(a[0] - b[0], a[1] - b[1]);
  if (points.length < 2) return points.length;
  let best = [d(points[points.length - 1], p), points.length];
  if (d(points[0], p) < best[0]) best = [d(points[0], p), 0];
  for (let i = 1; i < points.length; i++) {
    const extra = d(points[i - 1], p) + d(p, points[i]) - d(points[i - 1], points[i]);
    if (extra < best[0]) best = [extra, i];
  }
  return best[1];
}
