// One camera's picture with what is marked, proposed and known in it.

import { ahead, picture } from "./frames.js";

export const ZOOMS = [1, 2.5, 6];
const LOUPE = { side: 150, times: 6 };

/** Shape of a mark: told apart without colour. */
function shape(context, name, x, y, size) {
  context.beginPath();
  if (name === "racket_butt") context.rect(x - size, y - size, 2 * size, 2 * size);
  else if (name === "racket_throat") poly(context, [[x, y - 1.3 * size], [x + 1.3 * size, y], [x, y + 1.3 * size], [x - 1.3 * size, y]]);
  else if (name === "racket_tip") poly(context, [[x, y - 1.3 * size], [x + 1.2 * size, y + size], [x - 1.2 * size, y + size]]);
  else context.arc(x, y, size, 0, 2 * Math.PI);
}
function poly(context, corners) {
  corners.forEach(([x, y], index) => (index ? context.lineTo(x, y) : context.moveTo(x, y)));
  context.closePath();
}

export class View {
  constructor(camera, index, parent, onClick) {
    this.camera = camera;
    this.index = index;
    this.frame = 0;
    this.zoom = 0;
    this.centre = camera.size_px.map((side) => (side - 1) / 2);
    this.cross = [...this.centre];
    this.bitmap = null;
    this.section = document.createElement("section");
    this.section.className = "view";
    const [width, height] = camera.size_px;
    this.section.style.flex = `${width / height} 1 0`;
    this.canvas = document.createElement("canvas");
    this.canvas.setAttribute("role", "img");
    this.label = document.createElement("p");
    this.section.append(this.canvas, this.label);
    parent.append(this.section);
    this.canvas.addEventListener("pointerdown", (event) => {
      if (event.button !== 0) return;
      event.preventDefault();
      onClick(this, this.pixelAt(event.offsetX, event.offsetY));
    });
  }

  /** Whether the picture on the screen is that of the frame. */
  get isShown() { return this.shown === this.frame; }
  get count() { return this.camera.frame_pts_seconds.length; }
  secondsOf(frame) { return this.camera.offset_seconds + this.camera.rate * this.camera.frame_pts_seconds[frame]; }

  /** The frame nearest to a session time. */
  nearest(seconds) {
    let low = 0, high = this.count - 1;
    while (low < high) {
      const middle = (low + high) >> 1;
      if (this.secondsOf(middle) < seconds) low = middle + 1; else high = middle;
    }
    return low > 0 && seconds - this.secondsOf(low - 1) < this.secondsOf(low) - seconds ? low - 1 : low;
  }

  scale() {
    const { clientWidth, clientHeight } = this.canvas;
    const [width, height] = this.camera.size_px;
    return Math.min(clientWidth / width, clientHeight / height) * ZOOMS[this.zoom];
  }

  /** Keeps the picture over the window when enlarged, in its middle when not. */
  middle() {
    const scale = this.scale();
    const { clientWidth, clientHeight } = this.canvas;
    return [clientWidth, clientHeight].map((side, axis) => {
      const half = side / 2 / scale, whole = this.camera.size_px[axis];
      return half * 2 >= whole ? (whole - 1) / 2 : Math.min(Math.max(this.centre[axis], half - 0.5), whole - half - 0.5);
    });
  }

  screen([x, y]) {
    const scale = this.scale(), [cx, cy] = this.middle();
    return [(x - cx) * scale + this.canvas.clientWidth / 2, (y - cy) * scale + this.canvas.clientHeight / 2];
  }

  pixelAt(sx, sy) {
    const scale = this.scale(), [cx, cy] = this.middle();
    const at = [(sx - this.canvas.clientWidth / 2) / scale + cx, (sy - this.canvas.clientHeight / 2) / scale + cy];
    return at.map((value, axis) => Math.min(Math.max(value, -0.5), this.camera.size_px[axis] - 0.5));
  }

  /** Shows a frame; resolves when it is drawn. */
  async show(frame, draw) {
    this.frame = frame;
    this.section.setAttribute("aria-busy", !this.isShown);
    try {
      const bitmap = await picture(this.camera.name, frame);
      if (this.frame !== frame) return;
      this.bitmap = bitmap;
      this.shown = frame;
      draw();
      ahead(this.camera.name, frame, this.count);
    } catch (error) {
      if (this.frame === frame) this.label.textContent = `${this.camera.name}: ${error.message}`;
    }
    if (this.frame === frame) this.section.setAttribute("aria-busy", false);
  }

  draw(scene) {
    const ratio = window.devicePixelRatio || 1;
    const { clientWidth, clientHeight } = this.canvas;
    if (this.canvas.width !== Math.round(clientWidth * ratio) || this.canvas.height !== Math.round(clientHeight * ratio)) {
      this.canvas.width = Math.round(clientWidth * ratio);
      this.canvas.height = Math.round(clientHeight * ratio);
    }
    const context = this.canvas.getContext("2d");
    context.setTransform(ratio, 0, 0, ratio, 0, 0);
    context.clearRect(0, 0, clientWidth, clientHeight);
    this.section.classList.toggle("active", scene.active);
    // Until the frame's own picture comes, the one before it shows through, and is not to be marked.
    context.globalAlpha = this.isShown ? 1 : 0.4;
    if (this.bitmap) this.paint(context, this.screen([-0.5, -0.5]), this.scale());
    context.globalAlpha = 1;
    for (const part of scene.curve ?? []) this.curve(context, part, scene.colour);
    for (const court of scene.court ?? []) this.courtPoint(context, court);
    for (const point of scene.points) this.point(context, point, point.name === scene.chosen, scene.colourOf(point.name));
    if (scene.active) this.crosshair(context, scene);
    const shown = this.isShown ? "" : " …";
    this.label.textContent = `${this.camera.name} · frame ${this.frame}${scene.note ? ` · ${scene.note}` : ""}${shown}`;
    this.canvas.setAttribute("aria-label", `${this.camera.name}, frame ${this.frame}: ${scene.words}`);
  }

  paint(context, [x, y], scale) {
    context.imageSmoothingEnabled = scale < 3;
    const [width, height] = this.camera.size_px;
    context.drawImage(this.bitmap, x, y, width * scale, height * scale);
  }

  curve(context, part, colour) {
    context.beginPath();
    part.forEach((px, index) => { const [x, y] = this.screen(px); if (index) context.lineTo(x, y); else context.moveTo(x, y); });
    context.lineWidth = 3; context.strokeStyle = "rgb(0 0 0 / .45)"; context.stroke();
    context.lineWidth = 1.25; context.strokeStyle = colour; context.stroke();
  }

  point(context, point, chosen, colour) {
    const [x, y] = this.screen(point.px);
    const radius = Math.max(point.ring_px * this.scale(), 4);
    context.setLineDash(point.source === "course" ? [5, 4] : []);
    for (const [width, style] of [[chosen ? 4 : 3, "rgb(0 0 0 / .5)"], [chosen ? 2 : 1.25, colour]]) {
      context.lineWidth = width; context.strokeStyle = style;
      if (point.source === "marked") { shape(context, point.name, x, y, chosen ? 6 : 4.5); context.stroke(); continue; }
      context.beginPath(); context.arc(x, y, radius, 0, 2 * Math.PI); context.stroke();
      if (point.source === "kept") { context.beginPath(); context.arc(x, y, radius + 3.5, 0, 2 * Math.PI); context.stroke(); }
    }
    context.setLineDash([]);
    context.fillStyle = colour;
    if (point.source === "marked") { shape(context, point.name, x, y, 1.6); context.fill(); } else { shape(context, point.name, x, y, 2); context.fill(); }
    if (point.doubtful) {
      context.strokeStyle = "#ff5c5c"; context.lineWidth = 2.5;
      context.beginPath(); context.moveTo(x - 11, y - 11); context.lineTo(x + 11, y + 11); context.moveTo(x - 11, y + 11); context.lineTo(x + 11, y - 11); context.stroke();
    }
  }

  courtPoint(context, { px, name, chosen, own }) {
    const [x, y] = this.screen(px);
    context.strokeStyle = chosen ? "#fff" : own ? "#9be7ff" : "#c7ced3"; context.lineWidth = chosen ? 2.5 : 1.5;
    context.beginPath(); context.moveTo(x - 7, y); context.lineTo(x + 7, y); context.moveTo(x, y - 7); context.lineTo(x, y + 7); context.stroke();
    if (chosen) { context.fillStyle = "#fff"; context.font = "13px system-ui"; context.fillText(name, x + 10, y - 8); }
  }

  crosshair(context, scene) {
    const [x, y] = this.screen(this.cross);
    for (const [width, style] of [[3, "rgb(0 0 0 / .55)"], [1, scene.colour]]) {
      context.lineWidth = width; context.strokeStyle = style;
      context.beginPath();
      context.moveTo(x - 24, y); context.lineTo(x - 5, y); context.moveTo(x + 5, y); context.lineTo(x + 24, y);
      context.moveTo(x, y - 24); context.lineTo(x, y - 5); context.moveTo(x, y + 5); context.lineTo(x, y + 24);
      context.stroke();
    }
    if (this.bitmap && this.zoom < ZOOMS.length - 1) this.loupe(context, x, y, scene.colour);
  }

  /** The surroundings of the cross, enlarged, in the corner that is farther from it. */
  loupe(context, x, y, colour) {
    const { side, times } = LOUPE, { clientWidth } = this.canvas;
    const left = x > clientWidth / 2 ? 8 : clientWidth - side - 8, top = y < side + 60 && Math.abs(x - left - side / 2) < side ? side + 60 : 38;
    context.save();
    context.beginPath(); context.rect(left, top, side, side); context.clip();
    context.fillStyle = "#000"; context.fillRect(left, top, side, side);
    context.imageSmoothingEnabled = false;
    const [width, height] = this.camera.size_px;
    context.drawImage(this.bitmap, left + side / 2 - (this.cross[0] + 0.5) * times, top + side / 2 - (this.cross[1] + 0.5) * times, width * times, height * times);
    context.strokeStyle = colour; context.lineWidth = 1;
    context.beginPath();
    context.moveTo(left + side / 2, top); context.lineTo(left + side / 2, top + side / 2 - 6); context.moveTo(left + side / 2, top + side / 2 + 6); context.lineTo(left + side / 2, top + side);
    context.moveTo(left, top + side / 2); context.lineTo(left + side / 2 - 6, top + side / 2); context.moveTo(left + side / 2 + 6, top + side / 2); context.lineTo(left + side, top + side / 2);
    context.stroke(); context.restore();
    context.strokeStyle = "#e9eef1"; context.lineWidth = 1; context.strokeRect(left + 0.5, top + 0.5, side, side);
  }
}
