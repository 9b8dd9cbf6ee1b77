// Keeps measurements in this browser until the server has answered for each, sends them again later, and shows what it asks about.
// Each entry has an id made here and a key of its own in the store, so that two open pages can't overwrite each other's.
import { ofForm } from "./writing.js";

const PREFIX = "airwatch-hand:";
const WHO = "airwatch-who";
const AGAIN_MS = 15000;
const NUMBER = /^-?(\d+(\.\d*)?|\.\d+|(\d+[ -])?\d+\/0*[1-9]\d*)$/;
const form = document.getElementById("measure");
const list = document.getElementById("queue");
const state = document.getElementById("queue-state");
const refusal = form.querySelector(":scope > .refusal");
const { fleet, unit } = form.dataset;
// Where recordings are ahead of the clock, what is measured now belongs to their time.
const ahead = Math.max(0, Date.parse(form.dataset.now) - Date.now());
const sent = [];
let isSending = false;

// Also where the page is not served over https, and crypto.randomUUID is not there.
const newId = () => Array.from(crypto.getRandomValues(new Uint8Array(12)), (b) => b.toString(16).padStart(2, "0")).join("");
const keep = (one) => localStorage.setItem(PREFIX + one.entry.id, JSON.stringify(one));
const drop = (one) => localStorage.removeItem(PREFIX + one.entry.id);
function kept() {
  return Object.keys(localStorage)
    .filter((key) => key.startsWith(PREFIX))
    .map((key) => JSON.parse(localStorage.getItem(key)))
    .sort((a, b) => a.order - b.order);
}

function element(name, text, more = {}) {
  const made = Object.assign(document.createElement(name), more);
  if (text !== undefined) made.textContent = text;
  return made;
}

const what = ({ entry, fleet: f, unit: u }) =>
  [u === unit && f === fleet ? "" : `${u}:`, entry.item.replaceAll("_", " "), entry.position, entry.value && `${entry.value} ${entry.measure}`, entry.finding?.replaceAll("_", " ")]
    .filter(Boolean)
    .join(" ");

function row(one) {
  const item = element("li");
  item.dataset.state = one.state;
  item.append(element("b", { waiting: "Kept here", asked: "Asked back", refused: "Refused", sent: "Sent" }[one.state]), ` ${what(one)}`);
  if (one.says) item.append(element("p", one.says, { className: "soft" }));
  if (one.state === "asked" || one.state === "refused") item.append(answers(one));
  return item;
}

function answers(one) {
  const box = element("div", undefined, { className: "inputs" });
  if (one.state === "asked" && one.mayInsist) {
    const yes = element("button", "It is so", { type: "button" });
    yes.addEventListener("click", () => again({ ...one, confirmed: true }));
    box.append(yes);
  }
  for (const name of ["position", "value", "measure"]) {
    if (!one.entry[name]) continue;
    const label = element("label", `${name === "measure" ? "unit" : name} `);
    label.append(element("input", undefined, { name, value: one.entry[name], size: 8 }));
    box.append(label);
  }
  const mend = element("button", "Correct", { type: "button" });
  mend.addEventListener("click", () => {
    const entry = { ...one.entry };
    for (const field of box.querySelectorAll("input")) entry[field.name] = field.value.trim();
    again({ ...one, entry, confirmed: false });
  });
  const away = element("button", "Throw away", { type: "button" });
  away.addEventListener("click", () => {
    if (!confirm(`Throw away ${what(one)}? It was never stored.`)) return;
    drop(one);
    show();
  });
  box.append(mend, away);
  return box;
}

function again(one) {
  keep({ ...one, state: "waiting", says: "" });
  show();
  send();
}

function show(note) {
  const all = kept();
  list.replaceChildren(...all.map(row), ...sent.map(row));
  const waiting = all.filter((one) => one.state === "waiting").length;
  const asked = all.length - waiting;
  const parts = [];
  if (waiting) parts.push(`${waiting} kept here, not sent yet`);
  if (asked) parts.push(`${asked} asked back`);
  if (sent.length) parts.push(`${sent.length} sent`);
  if (note && waiting) parts.push(note);
  state.textContent = parts.length ? `${parts.join("; ")}.` : "";
}

async function post(url, body) {
  const answer = await fetch(url, { method: "POST", headers: { "Content-Type": "application/json", ...ofForm }, body: JSON.stringify(body) });
  const said = await answer.json().catch(() => ({}));
  return { ok: answer.ok, status: answer.status, said };
}

// Sends entries of one unit. One that can't be read refuses a whole lot, so then each goes by itself.
async function sendLot(lot) {
  const [first] = lot;
  const url = `/api/v1/units/${encodeURIComponent(first.fleet)}/${encodeURIComponent(first.unit)}/hand/entries`;
  const confirmed = lot.filter((one) => one.confirmed).map((one) => one.entry.id);
  const { ok, status, said } = await post(url, { entries: lot.map((one) => one.entry), confirmed });
  if (!ok) {
    if (status !== 422) throw new Error(said.detail ?? `the server answers ${status}`);
    if (lot.length === 1) {
      keep({ ...first, state: "refused", says: said.detail });
      return;
    }
    for (const one of lot) await sendLot([one]);
    return;
  }
  for (const one of lot) {
    const questions = said.questions.filter((question) => question.id === one.entry.id);
    if (questions.length) {
      const says = questions.map((q) => `${q.field}: ${q.asks}${q.would_be.length ? ` (it would be ${q.would_be.join(" or ")})` : ""}`).join("; ");
      keep({ ...one, state: "asked", says, mayInsist: questions.every((question) => question.may_insist) });
      continue;
    }
    const judged = said.landed.find((entry) => entry.id === one.entry.id);
    if (!judged && !said.there_already.includes(one.entry.id)) continue; // not answered for: it stays
    drop(one);
    sent.push({ ...one, state: "sent", says: judged?.says ?? "it was there already" });
  }
}

async function send() {
  if (isSending) return;
  const waiting = kept().filter((one) => one.state === "waiting");
  if (!waiting.length) return;
  isSending = true;
  let note;
  try {
    const lots = Map.groupBy ? [...Map.groupBy(waiting, (one) => `${one.fleet}/${one.unit}`).values()] : waiting.map((one) => [one]);
    for (const lot of lots) await sendLot(lot);
    await renew();
  } catch (error) {
    note = error instanceof TypeError ? "the server does not answer, they will be sent again" : error.message;
  }
  isSending = false;
  show(note);
}

// Shows what the server knows now, without touching what is being typed.
async function renew() {
  const answer = await fetch(location.href);
  if (!answer.ok) return;
  const page = new DOMParser().parseFromString(await answer.text(), "text/html");
  document.getElementById("known").replaceWith(page.getElementById("known"));
}

form.addEventListener("submit", (event) => {
  event.preventDefault();
  refusal.textContent = "";
  const by = form.by.value.trim();
  const at = form.at.value ? new Date(`${form.at.value}Z`) : new Date(Date.now() + ahead);
  const entries = [];
  const used = [];
  for (const one of form.querySelectorAll(".one")) {
    const part = (name) => one.querySelector(`[data-part=${name}]`)?.value.trim() ?? "";
    if (!part("value") && !part("finding")) continue;
    if (part("value") && !NUMBER.test(part("value"))) {
      refusal.textContent = `${part("value")} is no number; write 44.5, 1 3/4 or 7/16.`;
      one.querySelector("[data-part=value]").focus();
      return;
    }
    const entry = { id: newId(), taken_at: at.toISOString(), by, item: one.dataset.item, note: form.note.value };
    if (one.dataset.position || part("position")) entry.position = one.dataset.position || part("position");
    if (part("value")) Object.assign(entry, { value: part("value"), measure: part("measure") });
    if (part("finding")) entry.finding = part("finding");
    if (one.querySelector("[data-part=idle]")?.checked) entry.finding = "idle";
    entries.push(entry);
    used.push(one);
  }
  if (!by) refusal.textContent = "Say who measures.";
  else if (!entries.length) refusal.textContent = "Nothing is filled in.";
  if (refusal.textContent) return;
  localStorage.setItem(WHO, by);
  try {
    entries.forEach((entry, k) => keep({ fleet, unit, entry, state: "waiting", order: Date.now() + k / 1000 }));
  } catch {
    refusal.textContent = "This browser can't keep entries (its storage is full or barred); nothing was kept.";
    return;
  }
  for (const one of used) for (const field of one.querySelectorAll("[data-part=value], [data-part=finding]")) field.value = "";
  show();
  send();
});

// Corrections: the form is replaced with the rest of what is known, so the document listens.
document.addEventListener("submit", async (event) => {
  const mend = event.target.closest("form.correct");
  if (!mend) return;
  event.preventDefault();
  const given = Object.fromEntries(new FormData(mend));
  const isBack = event.submitter?.value === "back";
  const { who, why } = given;
  const entry = { id: newId(), taken_at: mend.dataset.taken, by: mend.dataset.by, item: mend.dataset.item };
  for (const name of ["position", "value", "measure", "finding", "note"]) if (given[name]) entry[name] = given[name].trim();
  const says = mend.querySelector(".refusal");
  try {
    const { ok, status, said } = isBack
      ? await post(`${mend.dataset.api}/taking-back`, { id: newId(), who, why })
      : await post(`${mend.dataset.api}/corrections`, { entry, who, why, is_confirmed: Boolean(given.is_confirmed) });
    if (!ok) says.textContent = said.detail ?? `The server answers ${status}; nothing was changed.`;
    else if (said.questions?.length) {
      says.textContent = said.questions.map((question) => `${question.field}: ${question.asks}`).join("; ");
      mend.querySelector(".insist").hidden = !said.questions.every((question) => question.may_insist);
    } else await renew();
  } catch {
    says.textContent = "The server does not answer; nothing was changed.";
  }
});

form.by.value = localStorage.getItem(WHO) ?? "";
show();
send();
addEventListener("online", send);
setInterval(send, AGAIN_MS);
