// The review canvas: holds the marks, answers taps and keys, sends edits, draws.
const SAY = {
  fruit: "Tap a missed fruit to add it. Tap a mark to change it. Pinch to zoom.",
  doubt: "Only doubtful marks stand out. Tap those that are not fruit, then \u201cRest is right\u201d.",
  limb: "Drag a point to mend the line, or start over.",
  base: "Tap where the limb starts: its thick end.",
  tip: "Now tap its tip.",
  scale: "Choose what you know the size of, tap it, type its size.",
};
const WORDS = { fruit: "fruit", yellowing: "yellowing", damaged: "damaged", elsewhere: "off this limb" };

class Screen extends Acts {
  constructor(root, send) {
    super();
    this.root = root; this.view = new View(); this.marks = new Map(); this.order = [];
    this.job = "fruit"; this.selected = null; this.said = ""; this.fresh = false; this.follow = true;
    this.handles = []; this.linePreview = null; this.scalePoints = []; this.glass = null;
    this.preview = null; this.region = null; this.stops = []; this.rawSend = send; this.added = 0;
    this.el = Object.fromEntries([...root.querySelectorAll("[data-el]")].map((e) => [e.dataset.el, e]));
    this.canvas = this.el.canvas; this.ctx = this.canvas.getContext("2d");
    this.do = this.actions();
    listenPointers(this); listenKeys(this); this.listenButtons();
    const watch = new ResizeObserver(() => this.resize());
    watch.observe(this.el.stage);
    this.stops.push(() => watch.disconnect());
    const timer = setInterval(() => this.resend(), 1500);
    this.stops.push(() => clearInterval(timer));
  }

  on(target, name, fn, options) {
    target.addEventListener(name, fn, options);
    this.stops.push(() => target.removeEventListener(name, fn, options));
  }

  stop() { this.stops.forEach((stop) => stop()); this.stopped = true; }

  actions() {
    return {
      closer: () => this.zoomBy(1.6), farther: () => this.zoomBy(1 / 1.6),
      whole: () => { this.view.fit(); },
      undo: () => this.undo(), redo: () => this.redo(), remove: () => this.remove(),
      smaller: () => this.grow(1 / 1.08), bigger: () => this.grow(1.08),
      next: () => this.stepDoubt(1), right: () => this.check(), wrong: () => this.remove(),
      allright: () => this.checkAll(), follow: () => { this.follow = !this.follow; },
      swap: () => this.lineByHand(true),
      freshline: () => this.showLimb(), showlimb: () => this.showLimb(), limbyes: () => this.lineByHand(false), length: () => this.sendLength(),
      setscale: () => this.setJob("scale"), usescale: () => this.sendScale(), cardscale: () => this.outbox.put({ scale: { how: "card" } }),
    };
  }

  listenButtons() {
    this.on(this.root, "click", (e) => {
      const button = e.target.closest("button");
      if (!button || button.disabled) return;
      if (button.dataset.do) this.do[button.dataset.do]();
      if (button.dataset.job) this.setJob(button.dataset.job);
      if (button.dataset.label) this.setLabel(button.dataset.label);
      this.paint();
    });
    this.on(this.el.how, "change", () => { this.scalePoints = []; this.coinRow(); this.paint(); });
    this.on(this.el.coin, "change", () => this.coinRow());
    for (const box of [this.el.mm, this.el.how, this.el.coin, this.el.length]) this.on(box, "keydown", (e) => e.stopPropagation());
    this.on(this.el.length, "keydown", (e) => { if (e.key === "Enter") this.sendLength(); });
  }

  coinRow() {
    const coin = this.el.how.value === "coin";
    this.el.coinrow.hidden = !coin;
    const unit = this.data?.us ? "in" : "mm";
    const how = this.el.how.value;
    this.el.mmrow.hidden = how === "bank card";
    this.el.mmlabel.textContent = `${coin || how.endsWith("fruit") ? "Diameter" : "Length"}, ${unit}`;
    Object.assign(this.el.mm, unit === "in" ? { min: 0.05, step: 0.001 } : { min: 1, step: 0.1 });
    if (coin) this.el.mm.value = Number((this.el.coin.value / this.mmPerUnit()).toFixed(3));
  }

  mmPerUnit() { return this.data?.us ? 25.4 : 1; }

  // New data from the server: its marks, with what it has not yet acknowledged done again on top.
  load(data) {
    const fresh = this.data?.key !== data.key;
    this.data = data;
    if (fresh) this.open(data); else if (this.wasUs !== data.us) this.coinRow();
    this.wasUs = data.us;
    this.root.classList.toggle("fc-busy", data.busy);
    if (this.el.coin.length !== data.coins.length) {
      this.el.coin.replaceChildren(...data.coins.map(([name, mm]) => new Option(`${name} (${mm} mm)`, mm)));
    }
    this.outbox.acknowledged(data.ack);
    this.rebuild();
    if (!this.outbox.items.some((item) => item.line) && !this.fresh) {
      this.linePreview = null;
      this.handles = handlesOf(data.line, 9);
    }
    this.tell(); this.paint();
  }

  open(data) {
    this.outbox = new Outbox(data.key, this.rawSend);
    this.selected = null; this.scalePoints = []; this.preview = this.region = null;
    Object.assign(this.view, { pw: data.width_px, ph: data.height_px, fitted: true });
    this.coinRow(); this.resize();
    const image = new Image(), asked = performance.now();
    image.onload = () => {
      this.preview = { image, x: 0, y: 0, w: data.width_px, h: data.height_px };
      this.paint(true);
      this.canvas.dataset.painted = Math.round(performance.now() - asked);
      performance.mark("photo painted");
      document.querySelector(".fc-ahead")?.remove();
      dispatchEvent(new Event("fc-painted"));
    };
    image.onerror = () => { this.el.say.textContent = "The photo could not be loaded. Reload this page."; };
    image.src = `${data.url}?side=${this.wantSide()}`;
    if (this.outbox.waiting) this.outbox.flush();
  }

  // A photo no larger than the screen shows; the zoom fetches what it needs.
  wantSide() { return Math.max(screen.width, screen.height) * (window.devicePixelRatio || 1) > 2000 ? 2048 : 1024; }

  resize() {
    const stage = this.el.stage;
    if (this.data) stage.style.setProperty("--fc-want", `${(stage.clientWidth * this.view.ph) / this.view.pw}px`);
    const box = stage.getBoundingClientRect();
    if (!box.width) return;
    this.dpr = Math.min(window.devicePixelRatio || 1, 2.5);
    this.canvas.width = Math.round(box.width * this.dpr);
    this.canvas.height = Math.round(box.height * this.dpr);
    this.view.size(box.width, box.height);
    this.paint(true);
  }

  paint(now) {
    this.buttons();
    if (now) { if (this.data) drawAll(this); return; }
    if (this.frame) return;
    this.frame = requestAnimationFrame(() => { this.frame = 0; if (this.data) drawAll(this); });
  }

  // The answer with what casts doubt on it, the one question, and the hint below the photo.
  tell() {
    const { strip, say } = this.el, d = this.data;
    const make = (tag, text, name = "") => Object.assign(document.createElement(tag), { textContent: text, className: name });
    const text = JSON.stringify([d.summary, d.detail, d.warnings]);
    if (strip.dataset.text !== text) {
      strip.dataset.text = text;
      const [first, ...rest] = d.warnings, was = strip.querySelector("details"), lines = [];
      if (rest.length) {
        const more = make("details", "", "fc-warn"), head = make("summary", `${first} `);
        head.append(make("u", `${rest.length} more`));
        more.append(head, rest.join(" "));
        more.open = was ? was.open : innerWidth > 640;
        lines.push(more);
      } else if (first) lines.push(make("p", first, "fc-warn"));
      this.el.answer.replaceChildren(make("b", d.summary), ...(d.detail ? [make("small", d.detail)] : []));
      this.el.doubts.replaceChildren(...lines);
    }
    strip.dataset.revision = d.revision;
    this.askOne();
    const m = this.marks.get(this.selected);
    const waits = this.outbox.waiting && Date.now() - (this.firstWait || Date.now()) > 3000;
    if (!this.outbox.waiting) this.firstWait = 0;
    const n = this.outbox.count;
    const words = waits ? `Not connected. ${n === 1 ? "1 change is" : `${n} changes are`} kept here and sent when the connection is back.`
      : d.message || this.said || (m ? this.describe(m) : this.hint());
    if (say.textContent !== words) say.textContent = words;
    say.classList.toggle("fc-warn", waits);
  }

  // One question at a time, asked where it is answered.
  askOne() {
    const d = this.data, kind = d.busy || this.fresh || !["fruit", "limb"].includes(this.job) ? "" : d.ask;
    this.el.ask.hidden = !kind;
    this.el.question.textContent = d.question; this.el.question.hidden = !d.question;
    for (const part of this.root.querySelectorAll("[data-ask]")) part.hidden = !part.dataset.ask.split(",").includes(kind);
    this.el.unit.textContent = d.us ? "in" : "cm";
    this.el.length.setAttribute("aria-label", `How long is this limb, ${this.el.unit.textContent}?`);
  }

  hint() {
    if (this.job === "doubt" && !this.doubtful().length) return "No doubtful marks left.";
    return SAY[this.job === "limb" && this.fresh ? (this.handles.length ? "tip" : "base") : this.job];
  }

  describe(m) {
    const size = this.data.px_per_mm ? `, about ${this.data.us
      ? `${((2 * m.r_px) / this.data.px_per_mm / 25.4).toFixed(2)} in`
      : `${((2 * m.r_px) / this.data.px_per_mm).toFixed(0)} mm`}` : "";
    const action = { keep: " Keep.", pinch: " Pinch off.", cut: " Goes with the cut." }[this.data.actions[m.id]] || "";
    const doubt = isDoubtful(m, this.data.doubt_below) ? " Doubtful." : "";
    return `Mark ${this.inOrder().indexOf(m) + 1} of ${this.marks.size}: ${WORDS[labelOf(m)]}${size}.${action}${doubt}`;
  }

  buttons() {
    if (!this.data) return;
    const m = this.marks.get(this.selected);
    const doubtful = this.doubtful().length;
    this.el.doubtcount.textContent = doubtful || "";
    for (const part of this.root.querySelectorAll("[data-for]")) part.hidden = part.dataset.for !== this.job;
    for (const part of this.root.querySelectorAll("[data-chosen]")) part.hidden = !m || this.job === "doubt";
    const press = (b, on) => { const v = on ? "true" : "false"; if (b.getAttribute("aria-pressed") !== v) b.setAttribute("aria-pressed", v); };
    for (const b of this.root.querySelectorAll("[data-job]")) press(b, b.dataset.job === this.job);
    for (const b of this.root.querySelectorAll("[data-label]")) press(b, m && b.dataset.label === labelOf(m));
    press(this.root.querySelector('[data-do="follow"]'), this.follow);
    const off = {
      undo: !this.canUndo, redo: !this.canRedo,
      remove: !m, smaller: !m, bigger: !m, right: !m, wrong: !m, next: !doubtful, allright: !doubtful,
    };
    for (const [name, value] of Object.entries(off)) this.root.querySelector(`[data-do="${name}"]`).disabled = value;
  }

  // --- helpers ------------------------------------------------------------------------------
  isInside(x, y) { return x >= -0.5 && y >= -0.5 && x <= this.view.pw - 0.5 && y <= this.view.ph - 0.5; }

  inside(x, y) { return [Math.min(Math.max(x, 0), this.view.pw - 1), Math.min(Math.max(y, 0), this.view.ph - 1)]; }

  // The mark whose ring, as drawn, was tapped: beyond its inner part a tap means the next fruit.
  hit(cx, cy, least, zoom = 1) {
    let best = [1, null];
    for (const m of this.marks.values()) {
      if (this.job === "doubt" && !isDoubtful(m, this.data.doubt_below)) continue;
      const [x, y] = this.view.toCss(m.x_px, m.y_px);
      const d = Math.hypot(x - cx, y - cy) / Math.max(0.7 * m.r_px * this.view.k, least / zoom);
      if (d < best[0]) best = [d, m];
    }
    return best[1];
  }

  // So large that a usual mark is as wide as a finger's tip under the glass.
  glassZoom(cx, cy) {
    const [x, y] = this.view.toPhoto(cx, cy);
    return Math.min(6, Math.max(2.2, 14 / (likelyRadius(this.marks, x, y, this.data) * this.view.k)));
  }

  // A sharper piece of the photo, once the view is still and the preview is too coarse.
  wantRegion() {
    clearTimeout(this.regionTimer);
    this.regionTimer = setTimeout(() => this.fetchRegion(), 220);
  }

  fetchRegion() {
    const { view, data } = this, coarse = Math.max(data.width_px, data.height_px) / this.wantSide();
    if (this.stopped || coarse <= 1 || view.k * this.dpr * coarse < 1.15) return;
    const [x0, y0] = this.inside(...view.toPhoto(-40, -40)), [x1, y1] = this.inside(...view.toPhoto(view.w + 40, view.h + 40));
    const box = [Math.floor(x0), Math.floor(y0), Math.ceil(x1 - x0) + 1, Math.ceil(y1 - y0) + 1];
    const image = new Image(), key = data.key;
    image.onload = () => {
      if (this.data.key !== key) return;
      this.region = { image, x: box[0], y: box[1], w: box[2], h: box[3] };
      this.paint();
    };
    image.src = `${data.url}?box=${box.join(",")}`;
  }

  // Edits unanswered for a while go out again; the server knows what it already has.
  resend() {
    if (!this.outbox || !this.outbox.waiting) return;
    if (Date.now() - this.outbox.sent > 4000) this.outbox.flush();
    this.tell();
  }
}

export default function ({ data, parentElement, setStateValue }) {
  const root = parentElement.querySelector(".fc-root");
  const screen = (root.fcScreen ??= new Screen(root, (outbox) => root.fcSend(outbox)));
  root.fcSend = (outbox) => setStateValue("outbox", outbox);
  screen.load(data);
  return () => { screen.stop(); root.fcScreen = null; };
}
