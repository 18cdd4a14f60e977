"use strict";
/* Subscribes this browser to push notifications, if it supports them. */
(() => {
  const form = document.querySelector('[data-phone="subscribe"]');
  const state = document.querySelector('[data-phone="state"]');

  function hindrance() {
    if (!isSecureContext) return "Notifying this phone needs a page with TLS: see `potvigil page certificate`.";
    if (!navigator.serviceWorker || !window.PushManager || !window.Notification) {
      return "This browser cannot receive messages. On an iPhone, first add the page to the Home Screen and open it there.";
    }
    if (Notification.permission === "denied") return "This browser blocks messages from this page: allow them in its settings.";
    return "";
  }

  const bytes = (text) => Uint8Array.from(atob(text.replace(/-/g, "+").replace(/_/g, "/")), (sign) => sign.charCodeAt(0));

  async function subscribe() {
    if ((await Notification.requestPermission()) !== "granted") throw new Error("Without permission to show messages this phone cannot be notified.");
    const { key, csrf } = await (await fetch("/api/push")).json();
    const registration = await navigator.serviceWorker.ready;
    const made = await registration.pushManager.subscribe({ userVisibleOnly: true, applicationServerKey: bytes(key) });
    const { endpoint, keys } = made.toJSON();
    const body = new URLSearchParams({ csrf, endpoint, ...keys, name: form.elements.name.value || navigator.userAgentData?.platform || "phone" });
    const answer = await fetch(form.action, { method: "POST", body });
    if (!answer.ok) throw new Error("The page refused it: reload it.");
    location.assign("/phones?said=subscribed");
  }

  form.addEventListener("submit", (event) => {
    event.preventDefault();
    state.textContent = "Asking the phone's push service...";
    subscribe().catch((error) => (state.textContent = `Not subscribed: ${error.message}`));
  });
  state.textContent = hindrance();
  form.hidden = state.textContent !== "";
})();
