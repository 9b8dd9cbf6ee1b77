// Makes plans, and moves and fixes visits: by drag and drop, or by menus in a dialog that both lead to.
import { press, recallWho, sayWritten, send } from "./writing.js";

const PLANNING = "Planning, up to 10 s…";
const making = document.getElementById("making");
const dialog = document.getElementById("asking");
let wanted = null; // what the open dialog asks for: { what, jobs or job, name }

function shared(form) {
  const body = { shop: making.dataset.shop, ...(form.elements.who && { who: form.elements.who.value }), why: form.elements.why.value };
  if (making.dataset.plan) body.of_plan = Number(making.dataset.plan);
  return body;
}

function told(plan) {
  const left = plan.jobs.filter((job) => job.slot === null).length;
  const rest = left ? `${left} ${left === 1 ? "does" : "do"} not fit` : "all fit";
  return `Plan ${plan.plan} is made: ${plan.jobs.length} jobs, ${rest}.`;
}

making?.addEventListener("submit", (event) => {
  event.preventDefault();
  press(making, making.querySelector("button"), PLANNING, async () => told(await send(making.dataset.post, shared(making))));
});

const HEADS = {
  move: (name) => [`Move ${name}`, "It stays where you put it, and the other visits make room."],
  fix: (name) => [`Fix ${name} where it is`, "Later plans leave it there."],
  free: (name) => [`Let ${name} go`, "Later plans may move it again."],
};

function ask(next) {
  wanted = next;
  const form = dialog.querySelector("form");
  const [head, means] = HEADS[next.what](next.name);
  dialog.querySelector("#asked").textContent = head;
  dialog.querySelector("#asked-means").textContent = means;
  dialog.querySelector(".for-move").hidden = next.what !== "move";
  dialog.querySelector(".refusal").textContent = "";
  if (next.what === "move") {
    form.elements.bay.value = next.bay;
    form.elements.start.value = next.start;
    if (form.elements.start.selectedIndex < 0) form.elements.start.selectedIndex = 0; // its half day is past
  }
  recallWho(form);
  dialog.showModal();
}

function askMove(article, bay, start) {
  ask({ what: "move", name: article.dataset.vehicle, jobs: article.dataset.jobs.split(" "), bay, start });
}

dialog?.querySelector("form").addEventListener("submit", (event) => {
  event.preventDefault();
  const form = event.target;
  press(form, form.elements.do, PLANNING, async () => {
    if (wanted.what === "move") {
      const place = { jobs: wanted.jobs, bay: form.elements.bay.value, start: form.elements.start.value };
      return told(await send(form.dataset.moves, { ...shared(form), ...place }));
    }
    return told(await send(form.dataset.fixes, { ...shared(form), job: wanted.job, is_fixed: wanted.what === "fix" }));
  });
});

dialog?.querySelector("[name=leave]").addEventListener("click", () => dialog.close());
dialog?.addEventListener("cancel", (event) => {
  if (dialog.querySelector("form").hasAttribute("aria-busy")) event.preventDefault(); // it is being planned already
});

document.addEventListener("click", (event) => {
  const button = event.target.closest("[data-do]");
  if (!button) return;
  const article = button.closest("article");
  if (button.dataset.do === "move") askMove(article, article.dataset.bay, article.dataset.start);
  else {
    const name = `${article.dataset.vehicle}, ${button.dataset.name}`;
    ask({ what: button.dataset.do, job: button.dataset.job, name });
  }
});

// Drag and drop. The server says whether a place will do, and why not.
let dragged = null;

document.addEventListener("dragstart", (event) => {
  const card = event.target.closest?.(".card[data-visit]");
  if (!card) return;
  dragged = document.getElementById(`visit-${card.dataset.visit}`);
  event.dataTransfer.setData("text/plain", dragged.dataset.vehicle);
  event.dataTransfer.effectAllowed = "move";
});

function cellOf(event) {
  return dragged && event.target.closest?.("td[data-start]");
}

document.addEventListener("dragover", (event) => {
  const cell = cellOf(event);
  if (!cell) return;
  event.preventDefault();
  event.dataTransfer.dropEffect = "move";
  for (const other of document.querySelectorAll("td.over")) other.classList.toggle("over", other === cell);
  cell.classList.add("over");
});

document.addEventListener("drop", (event) => {
  const cell = cellOf(event);
  if (!cell) return;
  event.preventDefault();
  askMove(dragged, cell.dataset.bay, cell.dataset.start);
});

document.addEventListener("dragend", () => {
  for (const cell of document.querySelectorAll("td.over")) cell.classList.remove("over");
  dragged = null;
});

if (making) recallWho(making);
sayWritten();
