// The time line: one row per camera with the ring of the chosen point, marks, events, the moment shown, the frame to mark next.

export class Strip {
  constructor(canvas, onSeek) {
    this.canvas = canvas;
    this.passage = null;
    canvas.addEventListener("pointerdown", (event) => { if (this.passage) onSeek(this.seconds(event.offsetX)); });
  }
  x(seconds) {
    const { from_seconds: from, to_seconds: to } = this.passage;
    return 96 + ((seconds - from) / (to - from)) * (this.canvas.clientWidth - 112);
  }
  seconds(x) {
    const { from_seconds: from, to_seconds: to } = this.passage;
    return from + ((x - 96) / (this.canvas.clientWidth - 112)) * (to - from);
  }

  /** `rows`: name, frames [{seconds, ring_px, source}], next: seconds; `events`: {seconds, label, marked}. */
  draw({ passage, rows, events, seconds, colour }) {
    this.passage = passage;
    const ratio = window.devicePixelRatio || 1, { canvas } = this;
    canvas.width = Math.round(canvas.clientWidth * ratio); canvas.height = Math.round(canvas.clientHeight * ratio);
    const context = canvas.getContext("2d");
    context.setTransform(ratio, 0, 0, ratio, 0, 0);
    const height = (canvas.clientHeight - 22) / rows.length;
    context.font = "13px system-ui"; context.textBaseline = "middle";
    rows.forEach((row, index) => {
      const top = 18 + index * height, base = top + height - 4;
      context.fillStyle = "#aab6bf"; context.fillText(row.name, 12, top + height / 2, 78);
      context.fillStyle = "#20272d"; context.fillRect(96, top, canvas.clientWidth - 112, height - 3);
      const width = Math.max(1, (canvas.clientWidth - 112) / Math.max(row.frames.length, 1) - 0.5);
      for (const frame of row.frames) {
        const x = this.x(frame.seconds);
        if (frame.source === "marked") { context.fillStyle = colour; context.fillRect(x - 2, top, 4, height - 3); continue; }
        if (frame.source === undefined) continue;
        // Logarithmic: 1 px is a line, 100 px fills the row.
        const tall = Math.min(1, Math.max(0.08, Math.log10(Math.max(frame.ring_px, 1)) / 2)) * (height - 5);
        context.globalAlpha = frame.source === "course" ? 0.4 : 0.85;
        context.fillStyle = colour; context.fillRect(x - width / 2, base - tall, width, tall);
        context.globalAlpha = 1;
      }
      if (row.next !== undefined) {
        const x = this.x(row.next);
        context.fillStyle = "#fff"; context.beginPath(); context.moveTo(x - 6, top - 1); context.lineTo(x + 6, top - 1); context.lineTo(x, top + 9); context.fill();
      }
    });
    // Marked events first, then contact; a label that would cover another is left out.
    const labels = [], contact = (event) => event.kind === "contact";
    for (const event of [...events].sort((a, b) => b.marked - a.marked || contact(b) - contact(a) || a.seconds - b.seconds)) {
      const x = this.x(event.seconds);
      if (x < 96 || x > canvas.clientWidth - 16) continue;
      context.strokeStyle = event.marked ? "#fff" : "#aab6bf"; context.lineWidth = event.marked ? 1.5 : 1;
      context.setLineDash(event.marked ? [] : [3, 3]);
      context.beginPath(); context.moveTo(x, 14); context.lineTo(x, canvas.clientHeight - 4); context.stroke(); context.setLineDash([]);
      const left = Math.min(x + 3, canvas.clientWidth - 90), right = left + context.measureText(event.label).width + 6;
      if (labels.some(([from, to]) => left < to && right > from)) continue;
      labels.push([left, right]);
      context.fillStyle = event.marked ? "#fff" : "#aab6bf"; context.fillText(event.label, left, 8);
    }
    const x = this.x(seconds);
    context.strokeStyle = "#fff"; context.lineWidth = 2;
    context.beginPath(); context.moveTo(x, 12); context.lineTo(x, canvas.clientHeight); context.stroke();
  }
}
