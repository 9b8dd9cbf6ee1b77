// Sends what somebody asks for as JSON, and keeps what is to be said on the page that follows.
const SAID = "airwatch-written";
const formKey = document.querySelector("meta[name=form-key]")?.content; // there is none where nobody signs in
export const ofForm = formKey ? { "X-Airwatch-Form": formKey } : {};
const WHO = "airwatch-who";

export async function send(path, body) {
  let answer;
  try {
    answer = await fetch(path, {
      method: "POST",
      headers: { "Content-Type": "application/json", ...ofForm },
      body: JSON.stringify(body),
    });
  } catch {
    throw new Error("The server does not answer; nothing was written down.");
  }
  const said = await answer.json().catch(() => ({}));
  if (!answer.ok) throw new Error(said.detail ?? `The server answers ${answer.status}; nothing was written down.`);
  return said;
}

// Runs a form's button: `work` sends and gives the text to show once the page is loaded anew.
export async function press(form, button, busy, work) {
  if (button.disabled) return;
  const refusal = form.querySelector(".refusal");
  const label = button.textContent;
  button.disabled = true;
  button.textContent = busy;
  refusal.textContent = "";
  form.setAttribute("aria-busy", "true");
  try {
    keepWho(form);
    keep(await work());
    location.reload();
  } catch (error) {
    refusal.textContent = error.message;
    button.textContent = label;
    button.disabled = false;
    form.removeAttribute("aria-busy");
    button.focus();
  }
}

function keepWho(form) {
  if (form.elements.who) sessionStorage.setItem(WHO, form.elements.who.value); // there is none where somebody has signed in
}

// Fills in who it was the last time.
export function recallWho(form) {
  if (form.elements.who) form.elements.who.value ||= sessionStorage.getItem(WHO) ?? "";
}

// Keeps what the page says once it is loaded anew.
export function keep(text) {
  sessionStorage.setItem(SAID, text);
}

export function sayWritten() {
  const said = sessionStorage.getItem(SAID);
  if (!said) return;
  sessionStorage.removeItem(SAID);
  document.getElementById("written").textContent = said;
  scrollTo(0, 0);
}
