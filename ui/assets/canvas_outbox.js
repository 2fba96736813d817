// Edits not yet acknowledged by the server wait here, and in the browser's own storage, so that a
// lost signal, a reload or a stopped server loses nothing. Each has a number; the server keeps the
// last number of each screen and so never does one twice.
class Outbox {
  constructor(photo, send) {
    this.photo = photo; this.send = send; this.items = []; this.others = []; this.sent = 0;
    // A new name for each visit: a copied tab never shares its numbers with another.
    // Its first part stays the same in this browser: undo takes back what this person did.
    const chance = () => Math.random().toString(36).slice(2, 10) + Date.now().toString(36).slice(-4);
    try { localStorage["fc-me"] ||= chance(); this.me = localStorage["fc-me"]; } catch { this.me = chance(); }
    this.client = `${this.me}-${chance()}`;
    this.seq = 0;
    this.adopt();
  }

  write(key, value) {
    try {
      if (value === null) localStorage.removeItem(key); else localStorage.setItem(key, value);
    } catch { /* a private window has no storage: edits then wait in memory only */ }
  }

  key(client) { return `fc-wait ${this.photo} ${client}`; }

  // What an earlier visit to this photo left unsent, here or in a closed tab.
  adopt() {
    try {
      for (const key of Object.keys(localStorage)) {
        const [head, photo, client] = key.split(" ");
        if (head !== "fc-wait" || photo !== this.photo) continue;
        const items = JSON.parse(localStorage.getItem(key) || "[]");
        this.others.push({ client, items });
      }
    } catch { /* no storage: nothing was left */ }
  }

  put(item) {
    this.seq += 1;
    this.items.push({ seq: this.seq, ...item });
    this.store();
    this.flush();
  }

  store() {
    this.write(this.key(this.client), this.items.length ? JSON.stringify(this.items) : null);
  }

  // Drop what the server has; true when something still waits.
  acknowledged(ack) {
    const had = this.items.length;
    this.items = this.items.filter((item) => item.seq > (ack[this.client] || 0));
    for (const other of this.others) {
      other.items = other.items.filter((item) => item.seq > (ack[other.client] || 0));
      if (!other.items.length) this.write(this.key(other.client), null);
    }
    this.others = this.others.filter((other) => other.items.length);
    if (had !== this.items.length) this.store();
    return this.waiting;
  }

  get waiting() { return this.items.length + this.others.length > 0; }

  get count() { return this.items.length + this.others.reduce((n, other) => n + other.items.length, 0); }

  flush() {
    if (!this.waiting) return;
    this.sent = Date.now();
    this.send({ photo: this.photo, nonce: this.sent,
      boxes: [...this.others, { client: this.client, items: this.items }] });
  }
}
