// Asks for a new forecast and shows the campaign anew.
import { ofForm } from "./writing.js";

const button = document.querySelector("button[data-forecast]");
const refusal = document.querySelector(".refusal");
button.addEventListener("click", async () => {
  button.disabled = true;
  try {
    const answer = await fetch(button.dataset.forecast, { method: "POST", headers: { "Content-Type": "application/json", ...ofForm }, body: "{}" });
    if (!answer.ok) throw new Error((await answer.json()).detail);
    location.reload();
  } catch (error) {
    refusal.textContent = error instanceof TypeError ? "The server does not answer; no forecast was made." : error.message;
    button.disabled = false;
  }
});
