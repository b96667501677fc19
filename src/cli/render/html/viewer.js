"use strict";
(() => {
  const find = (id) => document.getElementById(id);
  const info = JSON.parse(find("layer-info").textContent);
  const data = Uint8Array.from(atob(find("layer-data").textContent), (letter) => letter.charCodeAt(0));
  const [picture, slider, number, side, fit, told] =
    ["layer-picture", "layer-slider", "layer-number", "layer-side", "layer-fit", "layer-told"].map(find);
  const layers = info.layers;
  const counted = (value) => Math.round(value).toLocaleString("en");
  let chosen = 0;

  // Runs of beads: a class before, a class after, and points in hundredths of a millimetre.
  function runs(layer) {
    let at = layer.at;
    const end = layer.at + layer.size;
    const next = () => {
      let value = 0, factor = 1, byte;
      do {
        byte = data[at++];
        value += (byte & 127) * factor;
        factor *= 128;
      } while (byte > 127);
      return value;
    };
    const unfold = (value) => (value % 2 ? -(value + 1) / 2 : value / 2);
    const found = [];
    let x = 0, y = 0;
    while (at < end) {
      const code = next();
      const points = [[x, y]];
      for (let left = next(); left > 0; left--) {
        x += unfold(next());
        y += unfold(next());
        points.push([x, y]);
      }
      if (code > 0) {
        const pair = code - 1;
        found.push({ classes: [Math.floor(pair / info.classes), pair % info.classes], points });
      }
    }
    return found;
  }

  // One view for all layers, so that they can be compared, unless only this one is to fill the picture.
  const whole = [Infinity, Infinity, -Infinity, -Infinity];
  for (const layer of layers) {
    for (const axis of [0, 1]) {
      whole[axis] = Math.min(whole[axis], layer.box[axis]);
      whole[axis + 2] = Math.max(whole[axis + 2], layer.box[axis + 2]);
    }
  }

  // A line around each island, three pixels off its beads. What no way from the edge of its box leads to is inside: gaps
  // between its beads get no line of their own.
  function outline(pen, paths, bead, grounds, ratio, ink) {
    const mask = document.createElement("canvas");
    [mask.width, mask.height] = [picture.width, picture.height];
    if (!mask.width || !mask.height) return;
    const cover = mask.getContext("2d", { willReadFrequently: true });
    cover.scale(ratio, ratio);
    [cover.lineJoin, cover.lineCap, cover.lineWidth] = ["round", "round", bead + 6];
    cover.strokeStyle = ink;
    cover.beginPath();
    for (const path of paths) path.forEach((at, index) => (index ? cover.lineTo(...at) : cover.moveTo(...at)));
    cover.stroke();
    const dot = Math.max(Math.round(1.2 * ratio), 1) / ratio;
    pen.fillStyle = ink;
    pen.beginPath();
    for (const [x, y, w, h] of grounds) {
      const off = bead / 2 + 6;
      const left = Math.max(Math.floor((x - off) * ratio), 0);
      const top = Math.max(Math.floor((y - off) * ratio), 0);
      const wide = Math.min(Math.ceil((x + w + off) * ratio), mask.width) - left;
      const high = Math.min(Math.ceil((y + h + off) * ratio), mask.height) - top;
      if (wide < 3 || high < 3) continue;
      const inks = cover.getImageData(left, top, wide, high).data;
      const outside = new Uint8Array(wide * high);
      const todo = [];
      const visit = (at) => {
        if (!outside[at] && inks[4 * at + 3] < 128) {
          outside[at] = 1;
          todo.push(at);
        }
      };
      for (let column = 0; column < wide; column++) [column, (high - 1) * wide + column].forEach(visit);
      for (let row = 0; row < high; row++) [row * wide, row * wide + wide - 1].forEach(visit);
      while (todo.length) {
        const at = todo.pop();
        const column = at % wide;
        if (column > 0) visit(at - 1);
        if (column < wide - 1) visit(at + 1);
        if (at >= wide) visit(at - wide);
        if (at < wide * (high - 1)) visit(at + wide);
      }
      for (let at = wide; at < wide * (high - 1); at++) {
        const isEdge = outside[at - 1] || outside[at + 1] || outside[at - wide] || outside[at + wide];
        if (!outside[at] && isEdge) pen.rect((left + (at % wide)) / ratio, (top + Math.floor(at / wide)) / ratio, dot, dot);
      }
    }
    pen.fill();
  }

  const isPrinted = window.matchMedia("print");
  function draw() {
    const layer = layers[chosen];
    const which = side ? Number(side.value) : 0;
    const style = getComputedStyle(document.documentElement);
    const colour = (name) => style.getPropertyValue(name).trim();
    const ratio = Math.max(window.devicePixelRatio || 1, isPrinted.matches ? 2 : 1);
    const width = Math.max(picture.clientWidth, 280);
    const margin = 16;
    const view = fit.checked ? layer.box : whole;
    const [wide, high] = [Math.max(view[2] - view[0], 1), Math.max(view[3] - view[1], 1)];
    const scale = Math.min((width - 2 * margin) / wide, 620 / high);
    const height = Math.max(high * scale + 2 * margin + 22, 140);
    picture.width = Math.round(width * ratio);
    picture.height = Math.round(height * ratio);
    picture.style.height = height + "px";
    const pen = picture.getContext("2d");
    pen.scale(ratio, ratio);
    const left = (width - wide * scale) / 2;
    const place = (x, y) => [left + (x - view[0]) * scale, margin + (view[3] - y) * scale];
    pen.lineJoin = "round";
    pen.lineCap = "round";
    const bead = Math.max(layer.w * scale * 0.86, 0.8);
    const all = runs(layer);
    const lay = (list, thick, ink) => {
      pen.lineWidth = thick;
      pen.strokeStyle = ink;
      pen.beginPath();
      for (const run of list) {
        run.points.forEach(([x, y], index) => {
          const at = place(x / 100, y / 100);
          if (index === 0) pen.moveTo(...at);
          else pen.lineTo(...at);
        });
      }
      pen.stroke();
    };
    for (let step = 0; step < info.classes; step++) {
      const list = all.filter((run) => run.classes[which] === step);
      // Classes from the tenth on lie above the capacity.
      if (step >= 10 && list.length) lay(list, bead + Math.min(2.4, 0.3 * bead), colour("--ink"));
      if (list.length) lay(list, bead, colour("--c" + step));
    }
    const grounds = layer.boxes.map(([x0, y0, x1, y1]) => [...place(x0, y1), (x1 - x0) * scale, (y1 - y0) * scale]);
    const paths = all.map((run) => run.points.map(([x, y]) => place(x / 100, y / 100)));
    outline(pen, paths, bead, grounds, ratio, colour("--ink"));
    pen.strokeStyle = colour("--ink");
    pen.lineWidth = 1.2;
    const about = wide / 5;
    const power = 10 ** Math.floor(Math.log10(about));
    const bar = [5, 2, 1].map((easy) => easy * power).find((length) => length <= about) || power;
    const foot = height - 14;
    pen.beginPath();
    pen.moveTo(margin, foot - 4);
    pen.lineTo(margin, foot);
    pen.lineTo(margin + bar * scale, foot);
    pen.lineTo(margin + bar * scale, foot - 4);
    pen.stroke();
    pen.fillStyle = colour("--ink");
    pen.font = "13px system-ui, sans-serif";
    pen.fillText(bar + " mm", margin + bar * scale + 8, foot + 2);
  }

  function tell() {
    const layer = layers[chosen];
    const which = side ? Number(side.value) : 0;
    const above = layer.mm > 0 ? (100 * layer.above[which]) / layer.mm : 0;
    told.textContent =
      `Layer ${layer.n}, z ${layer.z.toFixed(2)} mm: ${counted(layer.beads)} beads, ${counted(layer.mm)} mm long, ` +
      `demand up to ${Math.round(100 * layer.top[which])} % of the capacity, ` +
      `${above.toFixed(above > 0 && above < 10 ? 1 : 0)} % of the length above it; ` +
      (layer.isles === null ? "islands not known." : `${layer.isles} ${layer.isles === 1 ? "island" : "islands"}.`) +
      (layer.cut ? " Only a part of the beads is drawn." : "");
    slider.setAttribute("aria-valuetext", `layer ${layer.n}, z ${layer.z.toFixed(2)} mm`);
  }

  function choose(index) {
    chosen = Math.min(Math.max(index, 0), layers.length - 1);
    slider.value = chosen;
    number.value = layers[chosen].n;
    draw();
    tell();
  }

  const nearest = (n) =>
    layers.reduce((best, layer, index) => (Math.abs(layer.n - n) < Math.abs(layers[best].n - n) ? index : best), 0);
  slider.addEventListener("input", () => choose(Number(slider.value)));
  number.addEventListener("change", () => choose(nearest(Number(number.value) || 1)));
  fit.addEventListener("change", draw);
  if (side) side.addEventListener("change", () => choose(chosen));
  // The slider knows arrow keys, page keys, Home and End.
  picture.addEventListener("click", () => slider.focus());
  let waiting = 0;
  const again = () => {
    cancelAnimationFrame(waiting);
    waiting = requestAnimationFrame(draw);
  };
  window.addEventListener("resize", again);
  window.matchMedia("(prefers-color-scheme: dark)").addEventListener("change", again);
  window.addEventListener("beforeprint", draw);
  window.addEventListener("afterprint", again);
  isPrinted.addEventListener("change", draw);
  find("layer-idle").hidden = true;
  find("layer-choice").hidden = picture.hidden = false;
  choose(nearest(info.worst));
})();
