// Sends a note as JSON, says in place why it was refused, and shows the page anew once it is written down.
import { send } from "./writing.js";

const form = document.querySelector("form[data-notes]"); // there is none for who may write nothing
const refusal = form?.querySelector(".refusal");
const button = form?.querySelector("button:not([type])");
const correcting = form?.querySelector(".correcting");
const KEPT = "airwatch-noted";

function correct(note) {
  form.corrects.value = note;
  correcting.hidden = !note;
  for (const row of document.querySelectorAll(".told li")) row.toggleAttribute("data-marked", row.id === `note-${note}`);
  form.text.focus();
}

for (const start of document.querySelectorAll("[data-corrects]")) {
  start.addEventListener("click", () => correct(start.dataset.corrects));
}
form?.querySelector(".never-mind").addEventListener("click", () => correct(""));
form?.addEventListener("submit", async (event) => {
  event.preventDefault();
  if (button.disabled) return;
  button.disabled = true;
  refusal.textContent = "";
  try {
    const who = form.who ? { who: form.who.value } : {};
    await send(form.dataset.notes, { ...who, text: form.text.value, corrects: form.corrects.value || null });
    sessionStorage.setItem(KEPT, "Written down.");
    location.reload();
  } catch (error) {
    refusal.textContent = error.message;
    button.disabled = false;
    button.focus();
  }
});

const written = sessionStorage.getItem(KEPT);
if (written) {
  sessionStorage.removeItem(KEPT);
  document.getElementById("written").textContent = written;
}
if (button) button.disabled = false; // until here the browser itself would have sent the form, into the address
