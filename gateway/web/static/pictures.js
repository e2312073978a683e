// Saves a picture as PNG: the browser draws the SVG file of the same picture on a canvas. The buttons show only where this script runs.
"use strict";
(() => {
  const SHARP = 2;
  document.documentElement.classList.add("scripted");
  async function png(address) {
    const image = new Image();
    image.src = address;
    await image.decode();
    const canvas = document.createElement("canvas");
    canvas.width = image.naturalWidth * SHARP;
    canvas.height = image.naturalHeight * SHARP;
    canvas.getContext("2d").drawImage(image, 0, 0, canvas.width, canvas.height);
    return new Promise((done, fail) => canvas.toBlob((blob) => blob ? done(blob) : fail(new Error("no picture")), "image/png"));
  }
  function save(blob, name) {
    const link = document.createElement("a");
    link.href = URL.createObjectURL(blob);
    link.download = name + ".png";
    document.body.append(link);
    link.click();
    link.remove();
    setTimeout(() => URL.revokeObjectURL(link.href), 10000);
  }
  document.addEventListener("click", async (event) => {
    const button = event.target instanceof Element ? event.target.closest("[data-png]") : null;
    if (!button) return;
    const words = button.innerHTML;
    button.disabled = true;
    try { save(await png(button.dataset.png), button.dataset.name || "picture"); }
    catch (error) { button.title = "The picture could not be made: take the SVG."; button.textContent = "no PNG, take SVG"; setTimeout(() => { button.innerHTML = words; }, 5000); }
    finally { button.disabled = false; }
  });
})();
