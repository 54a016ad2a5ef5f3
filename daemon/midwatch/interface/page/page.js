"use strict";

// Looks again every few seconds and replaces the sections that have changed. Without it the page
// is as it was when it was loaded; the orders need no script.
const EVERY_MS = 4000;
const PATIENCE_MS = 10000;
const seen = new Map();
let silentSince = null;

function openDetails(section) {
  return [...section.querySelectorAll("details[open]")].map((each) => each.id);
}

function take(text) {
  const fresh = new DOMParser().parseFromString(text, "text/html");
  for (const section of fresh.querySelectorAll("section[id]")) {
    const old = document.getElementById(section.id);
    const markup = section.innerHTML;
    if (!old || seen.get(section.id) === markup || old.contains(document.activeElement)) continue;
    const open = openDetails(old);
    old.replaceChildren(...section.childNodes);
    for (const id of open) document.getElementById(id)?.setAttribute("open", "");
    seen.set(section.id, markup);
  }
}

function silence(on) {
  const box = document.getElementById("silence");
  if (!on) {
    silentSince = null;
    box.hidden = true;
    return;
  }
  silentSince ??= new Date();
  box.textContent =
    `No answer since ${silentSince.toLocaleTimeString()} (time of this device): what is shown here is old.`;
  box.hidden = false;
}

async function look() {
  try {
    const answer = await fetch("/now", {
      cache: "no-store",
      credentials: "same-origin",
      signal: AbortSignal.timeout(PATIENCE_MS),
    });
    if (answer.status === 403) {
      location.assign("/");
      return;
    }
    if (!answer.ok) throw new Error(String(answer.status));
    take(await answer.text());
    silence(false);
  } catch {
    silence(true);
  }
}

async function keepLooking() {
  if (!document.hidden) await look();
  setTimeout(keepLooking, EVERY_MS);
}

// The colours change at once, and what is half typed stays.
const switching = document.getElementById("colours");
switching.addEventListener("submit", (event) => {
  event.preventDefault();
  const button = switching.querySelector("button");
  const colours = button.value;
  document.documentElement.dataset.colours = colours;
  fetch("/colours", { method: "POST", body: new URLSearchParams({ colours }) }).catch(() => {});
  button.value = colours === "night" ? "plain" : "night";
  button.textContent = colours === "night" ? "Plain colours" : "Night colours";
});

// An order is given once, however often a cold finger touches the button.
for (const form of document.querySelectorAll("form.card")) {
  form.addEventListener("submit", (event) => {
    if (form.dataset.sent) event.preventDefault();
    form.dataset.sent = "yes";
    setTimeout(() => delete form.dataset.sent, PATIENCE_MS);
  });
}

document.addEventListener("visibilitychange", () => {
  if (!document.hidden) look();
});
document.getElementById("answer")?.focus();
setTimeout(keepLooking, EVERY_MS);
