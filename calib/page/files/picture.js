// The picture: one image, or two with a wipe between them, on one pair of axes with a colour bar.

import { plain, ticks, unitFor } from "./words.js";

const LEFT = 52, BOTTOM = 40, TOP = 8, BAR = 14;

export class View {
  constructor(canvas) {
    this.canvas = canvas;
    this.images = [];
    this.wipe = 0.5;
  }

  /** Show pictures as the server sends them; the second lies right of the wipe. */
  async set(pictures) {
    const images = await Promise.all(pictures.map(async (one) => {
      const image = new Image();
      image.src = one.png;
      await image.decode();
      return { ...one, image };
    }));
    this.images = images;
    const all = images.map((one) => one.edges);
    this.box = [
      Math.min(...all.map((e) => e[0])), Math.max(...all.map((e) => e[1])),
      Math.min(...all.map((e) => e[2])), Math.max(...all.map((e) => e[3])),
    ];
    this.draw();
  }

  get right() { return 88; } // for the colour bar, its numbers and its label

  layout() {
    const width = this.canvas.parentElement.clientWidth;
    const [x0, x1, y0, y1] = this.box;
    // a long narrow scan is made no taller than the window, and no lower than can be pointed at
    const most = Math.max(260, Math.min(window.innerHeight * 0.8, 900));
    let w = width - LEFT - this.right;
    let h = w * (y1 - y0) / (x1 - x0);
    if (h > most) { w *= most / h; h = most; }
    h = Math.max(h, 24);
    this.plot = { x: LEFT, y: TOP, w, h };
    this.size = { width, height: h + TOP + BOTTOM };
  }

  toScreen(fast, slow) {
    const [x0, x1, y0, y1] = this.box, p = this.plot;
    return [p.x + (fast - x0) / (x1 - x0) * p.w, p.y + (y1 - slow) / (y1 - y0) * p.h];
  }

  toPlace(x, y) {
    const [x0, x1, y0, y1] = this.box, p = this.plot;
    return [x0 + (x - p.x) / p.w * (x1 - x0), y1 - (y - p.y) / p.h * (y1 - y0)];
  }

  /** Which picture is seen at a fast coordinate. */
  seenAt(fast) {
    if (this.images.length < 2) return this.images[0];
    const [x0, x1] = this.box;
    return this.images[(fast - x0) / (x1 - x0) < this.wipe ? 0 : 1];
  }

  draw() {
    if (!this.images.length) return;
    this.layout();
    const scale = window.devicePixelRatio || 1;
    const { width, height } = this.size, p = this.plot;
    this.canvas.width = Math.round(width * scale);
    this.canvas.height = Math.round(height * scale);
    this.canvas.style.height = `${height}px`;
    const c = this.canvas.getContext("2d");
    c.scale(scale, scale);
    const css = getComputedStyle(document.documentElement);
    const ink = css.getPropertyValue("--ink"), gap = css.getPropertyValue("--gap");
    c.fillStyle = gap;
    c.fillRect(p.x, p.y, p.w, p.h);
    c.imageSmoothingEnabled = false;
    const at = p.x + this.wipe * p.w;
    this.images.forEach((one, k) => {
      c.save();
      c.beginPath();
      if (this.images.length < 2) c.rect(p.x, p.y, p.w, p.h);
      else if (k === 0) c.rect(p.x, p.y, at - p.x, p.h);
      else c.rect(at, p.y, p.x + p.w - at, p.h);
      c.clip();
      const [e0, e1, e2, e3] = one.edges;
      const [left, top] = this.toScreen(e0, e3), [right, bottom] = this.toScreen(e1, e2);
      c.drawImage(one.image, left, top, right - left, bottom - top);
      c.restore();
    });
    if (this.images.length > 1) {
      c.fillStyle = "#000"; c.fillRect(at - 2, p.y, 4, p.h);
      c.fillStyle = "#fff"; c.fillRect(at - 1, p.y, 2, p.h);
    }
    this.axes(c, ink);
    this.bar(c, ink);
  }

  axes(c, ink) {
    const [x0, x1, y0, y1] = this.box, p = this.plot;
    const [size, name] = unitFor(Math.max(...this.box.map(Math.abs)));
    c.strokeStyle = ink; c.fillStyle = ink; c.lineWidth = 1;
    c.strokeRect(p.x - 0.5, p.y - 0.5, p.w + 1, p.h + 1);
    c.font = "12px system-ui, sans-serif";
    c.textAlign = "center"; c.textBaseline = "top";
    for (const t of ticks(x0 / size, x1 / size, Math.max(4, p.w / 90))) {
      const [x] = this.toScreen(t * size, y0);
      c.fillRect(x - 0.5, p.y + p.h, 1, 4);
      c.fillText(plain(t), x, p.y + p.h + 6);
    }
    c.textAlign = "right"; c.textBaseline = "middle";
    for (const t of ticks(y0 / size, y1 / size, Math.max(2, p.h / 60))) {
      const [, y] = this.toScreen(x0, t * size);
      c.fillRect(p.x - 5, y - 0.5, 4, 1);
      c.fillText(plain(t), p.x - 7, y);
    }
    const frame = this.images.length > 1 ? ", commanded | true" : `, ${this.images[0].frame}`;
    c.textAlign = "center"; c.textBaseline = "alphabetic";
    c.fillText(`along the fast axis${frame} (${name})`, p.x + p.w / 2, p.y + p.h + 35, p.w + 80);
    c.save();
    c.translate(12, p.y + p.h / 2); c.rotate(-Math.PI / 2);
    if (p.h > 160) c.fillText(`along the slow axis${frame} (${name})`, 0, 0, p.h + 20);
    c.restore();
  }

  bar(c, ink) {
    const one = this.images[0], p = this.plot;
    const x = p.x + p.w + 12, shades = one.shades;
    const step = p.h / shades.length;
    shades.forEach((shade, k) => {
      c.fillStyle = shade;
      c.fillRect(x, p.y + p.h - (k + 1) * step, BAR, step + 0.6);
    });
    c.strokeStyle = ink; c.strokeRect(x - 0.5, p.y - 0.5, BAR + 1, p.h + 1);
    c.fillStyle = ink; c.textAlign = "left"; c.textBaseline = "middle";
    for (const t of ticks(one.low, one.high, Math.max(2, p.h / 60))) {
      const y = p.y + p.h - (t - one.low) / (one.high - one.low || 1) * p.h;
      c.fillText(plain(t), x + BAR + 4, Math.min(Math.max(y, p.y + 6), p.y + p.h - 6));
    }
    c.save();
    c.translate(p.x + p.w + 80, p.y + p.h / 2); c.rotate(-Math.PI / 2);
    c.textAlign = "center"; c.textBaseline = "alphabetic";
    c.fillText(one.label, 0, 0, Math.max(p.h, 80));
    c.restore();
  }

  /** What is seen, for those who don't see it. */
  get words() {
    const range = (one) => `${plain(one.low, 3)} to ${plain(one.high, 3)} ${one.unit}`;
    const said = this.images.map((one) => `${one.title}: ${one.label}, ${range(one)}`);
    return said.join("; right of the wipe ");
  }
}
