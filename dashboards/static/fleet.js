// The fleet page: searches on the server while one types, and moves among units by keys.
import { renew } from "/static/live.js";

const QUIET_MS = 200; // after the last letter
const KEPT = "airwatch-keys";
let waiting = 0;

const links = () => [...document.querySelectorAll("table.units tbody th a")];

function search() {
  const asked = new URLSearchParams(new FormData(document.querySelector("form.search")));
  for (const [name, value] of [...asked]) if (!value || (name === "order" && value === "need")) asked.delete(name);
  history.replaceState(null, "", asked.size ? `?${asked}` : location.pathname);
  return renew().catch(() => {
    document.getElementById("found").textContent = "The server does not answer.";
  });
}

document.addEventListener("input", (event) => {
  if (!event.target.closest("form.search")) return;
  clearTimeout(waiting);
  waiting = setTimeout(search, event.target.id === "q" ? QUIET_MS : 0);
});
document.addEventListener("submit", (event) => {
  if (!event.target.matches("form.search")) return;
  event.preventDefault();
  clearTimeout(waiting);
  search();
});

// Keys: single letters work only where they can't mean anything else, and can be turned off (WCAG 2.1.4).
const isOn = document.getElementById("keys-on");
isOn.checked = localStorage.getItem(KEPT) !== "off";
isOn.addEventListener("change", () => localStorage.setItem(KEPT, isOn.checked ? "on" : "off"));

function move(step) {
  const all = links();
  const at = all.indexOf(document.activeElement);
  if (at < 0) return false;
  all[Math.max(0, Math.min(all.length - 1, at + step))].focus();
  return true;
}

const actions = {
  j: () => move(1),
  ArrowDown: () => move(1),
  k: () => move(-1),
  ArrowUp: () => move(-1),
  n: () => document.querySelector('.pages a[rel="next"]')?.click(),
  p: () => document.querySelector('.pages a[rel="prev"]')?.click(),
  "/": () => document.getElementById("q").select(),
};

document.addEventListener("keydown", (event) => {
  if (!isOn.checked || event.ctrlKey || event.metaKey || event.altKey) return;
  if (event.target.matches("input, select, textarea")) {
    if (event.key === "Escape" && event.target.id === "q") links()[0]?.focus();
    return;
  }
  if (actions[event.key] && actions[event.key]() !== false) event.preventDefault();
});
