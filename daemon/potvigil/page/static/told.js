"use strict";
/* Push notifications while the page is closed: show them, open the pot, acknowledge.

   Acknowledging posts the same form as the page's button; the outcome is checked, not assumed. */
addEventListener("push", (event) => {
  let message = { title: "Look at the pot", body: "A message arrived that cannot be read.", tag: "unreadable" };
  try {
    message = event.data.json();
  } catch {
    // keep the default message
  }
  event.waitUntil(show(message.title, message.body, message));
});

function show(title, body, message, more = {}) {
  return registration.showNotification(title, {
    body,
    tag: message.tag,
    renotify: true,
    requireInteraction: message.urgent === true,
    icon: "/static/icon-192.png",
    vibrate: message.urgent ? [400, 150, 400, 150, 400] : [200],
    data: message,
    actions: message.alarm ? [{ action: "acknowledge", title: "Acknowledge" }] : [],
    ...more,
  });
}

addEventListener("notificationclick", (event) => {
  const message = event.notification.data;
  event.notification.close();
  event.waitUntil(event.action === "acknowledge" ? acknowledge(message) : open(message));
});

async function acknowledge(message) {
  try {
    const answer = await fetch("/api/push");
    if (!answer.ok) throw new Error(answer.status === 401 ? "Log in on the page first." : "The Pi cannot do that now.");
    const { csrf } = await answer.json();
    const body = new URLSearchParams({ csrf, alarm: message.alarm });
    await fetch(`/pot/${encodeURIComponent(message.pot)}/acknowledge`, { method: "POST", body });
    const now = await (await fetch("/api/now", { cache: "no-store" })).json();
    const standing = now.pots.find((pot) => pot.id === message.pot)?.alarms.find((alarm) => alarm.alarm === message.alarm);
    if (now.silent || standing?.is_new) throw new Error("The watch did not accept it.");
    await show("Acknowledged", `${message.pot}: ${message.alarm}`, { ...message, alarm: null, urgent: false }, { silent: true, vibrate: undefined });
  } catch (error) {
    const why = error instanceof TypeError ? "No connection to the Pi." : error.message;
    await show("Not acknowledged", `${why} ${message.title}`, message);
  }
}

async function open(message) {
  const path = message.pot ? `/pot/${encodeURIComponent(message.pot)}` : "/";
  for (const client of await clients.matchAll({ type: "window" })) {
    if (new URL(client.url).pathname === path) return client.focus();
  }
  return clients.openWindow(path);
}
