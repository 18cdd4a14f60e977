"use strict";
/* Keeps what is typed into a form until it was taken: over an error, a reload, a log-in that ended. Kept in this tab
   alone, and gone with the log-out. */
(() => {
  const PREFIX = "potvigil-draft ";
  const was = new URLSearchParams(location.search); // before news.js takes it away
  const wasTaken = (was.has("said") || was.has("asked")) && !document.querySelector("main [role=alert]");

  const key = (form) => PREFIX + new URL(form.action, location.href).pathname + (form.querySelector("#flaw") ? " cast" : "");
  // of each field what it holds, and with it what it was written over
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
      // no room, or not allowed: nothing is kept
    }
  }

  function say(form) {
    const note = document.createElement("p");
    note.className = "banner draft";
    note.setAttribute("role", "status");
    note.append(Object.assign(document.createElement("span"), { textContent: "What you typed has been restored; it is not saved yet." }));
    const drop = Object.assign(document.createElement("button"), { type: "button", className: "plain", textContent: "Drop it" });
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
      // what the server wrote back into the form is as it was typed; what it asks is not to be undone
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
