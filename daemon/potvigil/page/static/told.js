"use strict";
/* What a phone does when it is told with the page closed: shows it, opens the pot, acknowledges.

   Acknowledging goes by the same door as the page's button; whether it was taken is looked up, not assumed. */
addEventListener("push", (event) => {
  let told = { title: "Look at the pot", body: "A message arrived that cannot be read.", tag: "unreadable" };
  try {
    told = event.data.json();
  } catch {
    // said as it stands
  }
  event.waitUntil(show(told.title, told.body, told));
});

function show(title, body, told, more = {}) {
  return registration.showNotification(title, {
    body,
    tag: told.tag,
    renotify: true,
    requireInteraction: told.urgent === true,
    icon: "/static/icon-192.png",
    vibrate: told.urgent ? [400, 150, 400, 150, 400] : [200],
    data: told,
    actions: told.alarm ? [{ action: "acknowledge", title: "Acknowledge" }] : [],
    ...more,
  });
}

addEventListener("notificationclick", (event) => {
  const told = event.notification.data;
  event.notification.close();
  event.waitUntil(event.action === "acknowledge" ? acknowledge(told) : open(told));
});

async function acknowledge(told) {
  try {
    const answer = await fetch("/api/push");
    if (!answer.ok) throw new Error(answer.status === 401 ? "Log in on the page first." : "The Pi cannot do that now.");
    const { csrf } = await answer.json();
    const body = new URLSearchParams({ csrf, alarm: told.alarm });
    await fetch(`/pot/${encodeURIComponent(told.pot)}/acknowledge`, { method: "POST", body });
    const now = await (await fetch("/api/now", { cache: "no-store" })).json();
    const standing = now.pots.find((pot) => pot.id === told.pot)?.alarms.find((alarm) => alarm.alarm === told.alarm);
    if (now.silent || standing?.is_new) throw new Error("The watch did not accept it.");
    await show("Acknowledged", `${told.pot}: ${told.alarm}`, { ...told, alarm: null, urgent: false }, { silent: true, vibrate: undefined });
  } catch (error) {
    const why = error instanceof TypeError ? "No connection to the Pi." : error.message;
    await show("Not acknowledged", `${why} ${told.title}`, told);
  }
}

async function open(told) {
  const path = told.pot ? `/pot/${encodeURIComponent(told.pot)}` : "/";
  for (const client of await clients.matchAll({ type: "window" })) {
    if (new URL(client.url).pathname === path) return client.focus();
  }
  return clients.openWindow(path);
}
