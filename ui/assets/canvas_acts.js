// What a person does: every method here ends in an edit, a wish to the server or another choice.
// How many taps each way of telling the scale needs.
const TAPS = { "two points": 2, "limb length": 0, coin: 1, fruit: 1, "usual fruit": 0, "bank card": 4 };

class Acts {
  edit(edit) {
    if (!applyEdit(this.marks, edit)) return;
    this.firstWait ||= Date.now();
    this.data.message = ""; this.said = "";
    this.outbox.put({ do: edit });
    this.canUndo = true; this.canRedo = false;
    this.tell();
  }

  say(words) { this.said = words; this.tell(); }

  undo() { this.back({ undo: true }, this.canUndo); }

  redo() { this.back({ redo: true }, this.canRedo); }

  // Shown at once, with or without a connection.
  back(step, can) {
    if (!can) return;
    this.firstWait ||= Date.now();
    this.said = "";
    this.outbox.put({ ...step, base: this.data.revision });
    this.rebuild();
    this.tell();
  }

  rebuild() {
    Object.assign(this, replayed(this.data, this.outbox.items, this.outbox.me));
    if (this.selected && !this.marks.has(this.selected)) this.selected = null;
  }

  addAt(x, y) {
    if (!this.isInside(x, y)) return null;
    this.added += 1;
    const mark = withLabel({
      id: `h${this.outbox.client}-${this.added}`, x_px: x, y_px: y,
      r_px: likelyRadius(this.marks, x, y, this.data), kind: "fruit", on_limb: 1, score: 1, by_hand: true,
    }, "fruit");
    this.edit({ edit: "add", mark });
    this.say("Added. Tap it to change it, or Undo.");
    return mark.id;
  }

  tapMark(mark) {
    if (this.job === "doubt" && isDoubtful(mark, this.data.doubt_below)) this.edit({ edit: "remove", mark });
    else this.select(this.selected === mark.id ? null : mark.id);
  }

  select(id) { this.selected = id; this.data.message = ""; this.said = ""; this.tell(); this.paint(); }

  setJob(job) {
    this.job = job; this.scalePoints = [];
    if (job === "limb") { this.linePreview = null; this.handles = handlesOf(this.data.line, 9); this.fresh = !this.handles.length; }
    this.select(null);
  }

  setLabel(label) {
    const m = this.marks.get(this.selected);
    if (!m) return;
    if (labelOf(m) === label && m.by_hand) return;
    this.edit({ edit: "change", before: m, after: withLabel(m, label), what: "label" });
  }

  // Only the queue of doubtful marks goes on by itself: elsewhere a second tap takes nothing.
  remove() {
    const m = this.marks.get(this.selected);
    if (!m) return;
    const order = this.job === "doubt" ? this.doubtful() : [], next = order[order.indexOf(m) + 1];
    this.edit({ edit: "remove", mark: m });
    this.select(next ? next.id : null);
    if (next) this.show(next); else this.say("Removed. Undo puts it back.");
  }

  grow(factor) {
    const m = this.marks.get(this.selected);
    if (m) this.edit(change(m, { r_px: Math.max(2, m.r_px * factor) }, "resize"));
  }

  nudge(dx, dy) {
    const m = this.marks.get(this.selected);
    if (!m) return;
    const step = Math.max(1, 2 / this.view.k), [x, y] = this.inside(m.x_px + dx * step, m.y_px + dy * step);
    this.edit(change(m, { x_px: x, y_px: y }, "move"));
  }

  check() {
    const m = this.marks.get(this.selected);
    if (!m) return;
    const order = this.doubtful(), next = order[order.indexOf(m) + 1] || order.find((o) => o !== m);
    this.edit(change(m, {}, "check"));
    if (this.job === "doubt" && next) { this.select(next.id); this.show(next); } else this.select(null);
  }

  checkAll() {
    const edits = this.doubtful().map((m) => change(m, {}, "check"));
    if (!edits.length) return;
    this.edit({ edit: "many", edits });
    this.setJob("fruit");
  }

  doubtful() {
    return [...this.marks.values()].filter((m) => isDoubtful(m, this.data.doubt_below)).sort((a, b) => a.score - b.score);
  }

  // Left to right in bands: the order in which the arrow keys step.
  inOrder() {
    const band = this.data.height_px / 6;
    return [...this.marks.values()].sort((a, b) => Math.floor(a.y_px / band) - Math.floor(b.y_px / band) || a.x_px - b.x_px);
  }

  step(by) { this.stepIn(this.inOrder(), by); }

  stepDoubt(by) { this.stepIn(this.doubtful(), by); }

  stepIn(order, by) {
    if (!order.length) return;
    const i = order.findIndex((m) => m.id === this.selected);
    const m = order[i < 0 ? (by > 0 ? 0 : order.length - 1) : (i + by + order.length) % order.length];
    this.select(m.id); this.show(m);
  }

  show(m) {
    const [x, y] = this.view.toCss(m.x_px, m.y_px);
    const seen = x > 40 && y > 40 && x < this.view.w - 40 && y < this.view.h - 40;
    const want = this.job === "doubt" ? Math.max(this.view.k, 26 / m.r_px) : this.view.k;
    if (seen && want === this.view.k) return;
    this.view.zoom(want / this.view.k, x, y); this.view.fitted = false;
    this.view.centre(m.x_px, m.y_px); this.wantRegion();
  }

  zoomBy(factor) { this.view.zoom(factor, this.view.w / 2, this.view.h / 2); this.wantRegion(); }

  // Two taps, base then tip, make a line; with a line there a tap adds a point to it.
  tapLine(p) {
    if (this.fresh) this.handles.push(p); else this.handles.splice(placeInLine(this.handles, p), 0, p);
    this.linePreview = this.handles;
    if (this.handles.length > 1) { this.fresh = false; this.sendLine(); }
    this.tell();
  }

  showLimb() { this.setJob("limb"); this.handles = []; this.linePreview = []; this.fresh = true; this.tell(); }

  sendLine(follow = this.follow) {
    this.linePreview = [...this.handles];
    this.firstWait ||= Date.now();
    this.outbox.put({ line: { taps: this.handles, follow }, base: this.data.revision });
  }

  tapScale(p) {
    const want = TAPS[this.el.how.value];
    if (this.scalePoints.length >= want) this.scalePoints = [];
    if (want) this.scalePoints.push(p);
  }

  sendLength() {
    const typed = Number(this.el.length.value);
    if (!(typed > 0)) { this.say("Type the limb's length first."); return; }
    this.firstWait ||= Date.now();
    this.outbox.put({ scale: { how: "limb length", points: [], mm: typed * (this.data.us ? 25.4 : 10) }, base: this.data.revision });
    this.say("Working it out.");
  }

  // The line as it is becomes a line by hand: nobody doubts it again.
  lineByHand(swapped) {
    this.handles = handlesOf(this.linePreview || this.data.line, 40);
    if (swapped) this.handles.reverse();
    this.sendLine(false);
  }

  sendScale() {
    const how = this.el.how.value, want = TAPS[how], card = how === "bank card";
    const mm = card ? 85.6 : Number(this.el.mm.value) * this.mmPerUnit();
    if (this.scalePoints.length < want || !(mm > 0)) {
      this.say(mm > 0 ? `Tap ${{ 1: "it", 2: "both ends", 4: "its four corners in turn" }[want]} on the photo first.` : "Type the size first.");
      return;
    }
    this.firstWait ||= Date.now();
    this.outbox.put({ scale: { how, points: this.scalePoints, mm }, base: this.data.revision });
    this.setJob("fruit");
  }
}
