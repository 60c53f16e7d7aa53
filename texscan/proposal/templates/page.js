"use strict";
for (const figure of document.querySelectorAll(".slider")) {
  const over = figure.querySelector(".over");
  const range = figure.querySelector("input");
  const show = () => { over.style.clipPath = `inset(0 ${100 - range.value}% 0 0)`; };
  range.addEventListener("input", show);
  show();
}
for (const figure of document.querySelectorAll(".heights")) {
  const map = figure.querySelector(".map");
  const grey = figure.querySelector(".grey");
  const cross = figure.querySelector(".cross");
  const out = figure.querySelector("output");
  const at = { column: 0, row: 0 };
  const data = figure.dataset;
  const number = (key) => Number(data[key]);
  let pixels = null;
  const read = async () => {
    if (pixels) return pixels;
    await grey.decode();
    const canvas = document.createElement("canvas");
    canvas.width = grey.naturalWidth;
    canvas.height = grey.naturalHeight;
    const context = canvas.getContext("2d", { willReadFrequently: true });
    context.drawImage(grey, 0, 0);
    pixels = context.getImageData(0, 0, canvas.width, canvas.height);
    return pixels;
  };
  const tell = async () => {
    const { width, height, data: values } = await read();
    at.column = Math.min(Math.max(at.column, 0), width - 1);
    at.row = Math.min(Math.max(at.row, 0), height - 1);
    const value = values[4 * (at.row * width + at.column)];
    cross.hidden = false;
    cross.style.left = `${100 * (at.column + 0.5) / width}%`;
    cross.style.top = `${100 * (at.row + 0.5) / height}%`;
    if (value === 0) {
      out.textContent = data.none;
      return;
    }
    const depth = number("low") + (value - 1) / 254 * (number("high") - number("low"));
    const x = number("x0") + at.column * number("step");
    const y = number("y1") - at.row * number("step");
    out.textContent = data.out.replace("{height}", depth.toFixed(2)).replace("{x}", x.toFixed(1)).replace("{y}", y.toFixed(1));
  };
  const point = async (event) => {
    const { width, height } = await read();
    const box = map.getBoundingClientRect();
    at.column = Math.floor((event.clientX - box.left) / box.width * width);
    at.row = Math.floor((event.clientY - box.top) / box.height * height);
    tell();
  };
  map.addEventListener("pointermove", point);
  map.addEventListener("pointerdown", point);
  map.addEventListener("focus", async () => {
    const { width, height } = await read();
    if (cross.hidden) { at.column = width >> 1; at.row = height >> 1; }
    tell();
  });
  map.addEventListener("keydown", (event) => {
    const step = event.shiftKey ? 10 : 1;
    const move = { ArrowLeft: [-step, 0], ArrowRight: [step, 0], ArrowUp: [0, -step], ArrowDown: [0, step] }[event.key];
    if (!move) return;
    event.preventDefault();
    at.column += move[0];
    at.row += move[1];
    tell();
  });
}
