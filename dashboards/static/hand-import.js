// Sends a CSV of measurements; what is asked about is shown by line, each with 'it is so'.
import { ofForm } from "./writing.js";

const form = document.getElementById("import");
const refusal = form.querySelector(".refusal");
const questions = document.getElementById("questions");
const done = document.getElementById("imported");

function question(asked) {
  const box = document.createElement("p");
  const would = asked.would_be.length ? ` (it would be ${asked.would_be.join(" or ")})` : "";
  box.textContent = `Line ${asked.line}, ${asked.field}: ${asked.asks}${would} `;
  if (!asked.may_insist) return box;
  const label = document.createElement("label");
  label.className = "choice";
  const tick = Object.assign(document.createElement("input"), { type: "checkbox", name: "confirmed", value: asked.id });
  label.append(tick, " It is so");
  box.append(label);
  return box;
}

form.addEventListener("submit", async (event) => {
  event.preventDefault();
  refusal.textContent = done.textContent = "";
  const [file] = form.file.files;
  if (!file) {
    refusal.textContent = "Choose a file.";
    return;
  }
  const query = new URLSearchParams();
  if (form.fleet.value) query.set("fleet", form.fleet.value);
  for (const tick of form.querySelectorAll("[name=confirmed]:checked")) query.append("confirmed", tick.value);
  try {
    const answer = await fetch(`/api/v1/hand/imports?${query}`, { method: "POST", headers: { "Content-Type": "text/csv", ...ofForm }, body: await file.text() });
    const said = await answer.json();
    if (!answer.ok) throw new Error(said.detail);
    questions.replaceChildren(...said.questions.map(question));
    const lines = new Set(said.questions.map((asked) => asked.line)).size;
    done.textContent = `${said.landed.length} landed; ${said.there_already.length} were there already; ${lines} asked back${lines ? ": tick what is so and send again, or correct the file" : ""}.`;
  } catch (error) {
    refusal.textContent = error instanceof TypeError ? "The server does not answer; nothing is known to have landed. Sending again is safe." : error.message;
  }
});
