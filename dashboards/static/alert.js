// Sends a change of an alert as JSON, says in place why it was refused, and shows the alert anew once it is written down.
import { keep, sayWritten, send } from "./writing.js";

const form = document.querySelector("form[data-changes]"); // there is none for who may change nothing
const refusal = form?.querySelector(".refusal");
const button = form?.querySelector("button");

// Turns what a field for date and time holds ("2031-02-03T11:20", seconds or not) into RFC 3339; empty is not given.
function utc(text) {
  if (!text) return undefined;
  return `${text.length === 16 ? `${text}:00` : text}Z`;
}

function asked() {
  const given = new FormData(form);
  const change = given.get("change");
  const body = { change, reason: given.get("reason") };
  if (given.has("who")) body.who = given.get("who");
  if (change === "repaired") body.at = utc(given.get("at"));
  if (change === "silenced") body.until = utc(given.get("until"));
  return body;
}

form?.addEventListener("submit", async (event) => {
  event.preventDefault();
  if (button.disabled) return;
  button.disabled = true;
  refusal.textContent = "";
  try {
    const body = asked();
    const alert = await send(form.dataset.changes, body);
    keep(`Written down: ${body.change}. The alert is ${alert.state}.`);
    location.reload();
  } catch (error) {
    refusal.textContent = error.message;
    button.disabled = false;
    button.focus();
  }
});
if (button) button.disabled = false; // until here the browser itself would have sent the form, into the address

sayWritten();
