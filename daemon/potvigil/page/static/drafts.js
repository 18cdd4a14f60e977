"use strict";
/* Keeps form input until it is saved: across an error, a reload, an expired log-in. In this tab only, until log-out. */
(() => {
  const PREFIX = "potvigil-draft ";
  const was = new URLSearchParams(location.search); // before news.js removes it
  const wasTaken = (was.has("said") || was.has("asked")) && !document.querySelector("main [role=alert]");

  const key = (form) => PREFIX + new URL(form.action, location.href).pathname + (form.querySelector("#flaw") ? " cast" : "");
  // each field's value, and the hidden digest of the value it replaces
  const typed = (form) => [...form.elements].filter((one) => one.name && one.name !== "csrf" && !["radio", "submit"].includes(one.type));

  function read(form) {
    try {
      return JSON.parse(sessionStorage.getItem(key(form)));
    } catch {
      return null;
    }
  }

  function keep(form) {
    const fields = Object.fromEntries(typed(form).map((one) => [one.name, one.value]));
    try {
      sessionStorage.setItem(key(form), JSON.stringify(fields));
    } catch {
      // storage full or disabled: no draft
    }
  }

  function say(form) {
    const note = document.createElement("p");
    note.className = "banner draft";
    note.setAttribute("role", "status");
    note.append(Object.assign(document.createElement("span"), { textContent: "What you typed has been restored; it is not saved yet." }));
    const drop = Object.assign(document.createElement("button"), { type: "button", className: "plain", textContent: "Discard it" });
    drop.addEventListener("click", () => {
      sessionStorage.removeItem(key(form));
      location.reload();
    });
    note.append(drop);
    form.prepend(note);
  }

  for (const form of document.querySelectorAll("form[data-draft]")) {
    const draft = read(form);
    if (wasTaken) sessionStorage.removeItem(key(form));
    else if (draft) {
      const lost = typed(form).filter((one) => one.type !== "hidden" && draft[one.name] !== undefined && draft[one.name] !== one.value);
      // if the server asks how to resolve a clash, its form already holds the input
      if (lost.length && !form.querySelector(".clash")) {
        for (const one of typed(form)) if (draft[one.name] !== undefined) one.value = draft[one.name];
        for (const details of [form.closest("details"), ...form.querySelectorAll("details")]) if (details) details.open = true;
        say(form);
      }
    }
    form.addEventListener("input", () => keep(form));
  }
  for (const form of document.querySelectorAll('form[action="/logout"]')) {
    form.addEventListener("submit", () => {
      for (const name of Object.keys(sessionStorage)) if (name.startsWith(PREFIX)) sessionStorage.removeItem(name);
    });
  }
})();
