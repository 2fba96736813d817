// Pan and zoom. Photo pixel (0, 0) is the centre of the top left pixel.
class View {
  constructor() { Object.assign(this, { k: 1, ox: 0, oy: 0, w: 1, h: 1, pw: 1, ph: 1, fitted: true }); }

  toCss(x, y) { return [(x + 0.5) * this.k + this.ox, (y + 0.5) * this.k + this.oy]; }

  toPhoto(cx, cy) { return [(cx - this.ox) / this.k - 0.5, (cy - this.oy) / this.k - 0.5]; }

  get fitK() { return Math.min(this.w / this.pw, this.h / this.ph); }

  fit() {
    this.k = this.fitK; this.fitted = true;
    this.ox = (this.w - this.pw * this.k) / 2; this.oy = (this.h - this.ph * this.k) / 2;
  }

  size(w, h) {
    const [cx, cy] = this.toPhoto(this.w / 2, this.h / 2);
    this.w = w; this.h = h;
    if (this.fitted) this.fit(); else this.centre(cx, cy);
  }

  centre(x, y) { this.ox = this.w / 2 - (x + 0.5) * this.k; this.oy = this.h / 2 - (y + 0.5) * this.k; this.keepIn(); }

  pan(dx, dy) { this.ox += dx; this.oy += dy; this.fitted = false; this.keepIn(); }

  // Zoom about a point of the screen, from the whole photo to 12 screen pixels a photo pixel.
  zoom(factor, cx, cy) {
    const [x, y] = this.toPhoto(cx, cy);
    this.k = Math.min(Math.max(this.k * factor, this.fitK), Math.max(12, this.fitK));
    this.ox = cx - (x + 0.5) * this.k; this.oy = cy - (y + 0.5) * this.k;
    this.fitted = this.k <= this.fitK * 1.001;
    if (this.fitted) this.fit();
    this.keepIn();
  }

  // Never lose the photo: its middle part stays on the screen.
  keepIn() {
    const keep = (o, size, room) => (size <= room ? (room - size) / 2
      : Math.min(room * 0.4, Math.max(room * 0.6 - size, o)));
    this.ox = keep(this.ox, this.pw * this.k, this.w);
    this.oy = keep(this.oy, this.ph * this.k, this.h);
  }

  // The same photo around (px, py), larger, shown about (cx, cy).
  around(px, py, factor, cx, cy) {
    const near = new View(), [x, y] = this.toPhoto(px, py);
    Object.assign(near, this, { k: this.k * factor });
    near.ox = cx - (x + 0.5) * near.k; near.oy = cy - (y + 0.5) * near.k;
    near.w = 1e6; near.h = 1e6;
    return near;
  }
}
