// Sends what was done to a work order, and prints its sheet.
import { press, recallWho, sayWritten, send } from "./writing.js";

const form = document.querySelector("form[data-changes]"); // there is none once it is done or cancelled
const WORDS = { in_work: "begun", done: "done", cancelled: "cancelled" };

// Turns what a field for date and time holds ("2031-02-03T11:20", seconds or not) into RFC 3339; empty is not given.
function utc(text) {
  if (!text) return undefined;
  return `${text.length === 16 ? `${text}:00` : text}Z`;
}

form?.addEventListener("submit", (event) => {
  event.preventDefault();
  press(form, form.querySelector("button"), "Writing…", async () => {
    const given = new FormData(form);
    const change = given.get("change");
    await send(form.dataset.changes, {
      change,
      ...(given.has("who") && { who: given.get("who") }),
      reason: given.get("reason"),
      at: utc(given.get("at")),
    });
    return `Written down: ${WORDS[change]}.`;
  });
});

document.getElementById("print").addEventListener("click", () => print());

if (form) recallWho(form);
sayWritten();
