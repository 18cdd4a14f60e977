"use strict";
/* Uploads a picture of the cast, shrunk here; that also strips location and camera data. */
(() => {
  const place = document.querySelector("[data-pictures]");
  const input = place.querySelector('input[type="file"]');
  const state = place.querySelector('[data-part="state"]');
  const MOST_PX = 1600;

  async function small(file) {
    const picture = await createImageBitmap(file, { imageOrientation: "from-image" });
    const scale = Math.min(1, MOST_PX / Math.max(picture.width, picture.height));
    const canvas = document.createElement("canvas");
    canvas.width = Math.max(1, Math.round(picture.width * scale));
    canvas.height = Math.max(1, Math.round(picture.height * scale));
    canvas.getContext("2d").drawImage(picture, 0, 0, canvas.width, canvas.height);
    return new Promise((done) => canvas.toBlob(done, "image/jpeg", 0.85));
  }

  async function add(file) {
    state.textContent = "Saving the picture.";
    let content;
    try {
      content = await small(file);
    } catch {
      state.textContent = "This browser cannot read that picture; choose a JPEG or PNG.";
      return;
    }
    try {
      const headers = { "content-type": "image/jpeg", "x-csrf": place.dataset.csrf };
      const answer = await fetch(place.dataset.pictures, { method: "POST", headers, body: content, redirect: "manual" });
      if (answer.ok) return void location.reload();
      state.textContent = answer.type === "opaqueredirect" ? "Log in first, then add it again." : "The picture was not saved. Reload the page and try again.";
    } catch {
      state.textContent = "The picture did not arrive. Try again.";
    }
  }

  place.querySelector('[data-part="add"]').hidden = false;
  input.addEventListener("change", () => input.files.length && add(input.files[0]));
})();
