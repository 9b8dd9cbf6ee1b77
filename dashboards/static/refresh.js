// Renews the fleet while the page is open, and says so when it can't: an old page must not pass for a new one.
const fresh = document.getElementById("fresh");
const everyMs = Number(fresh.dataset.everyS) * 1000;
let renewed = new Date();

function clock(time) {
  return time.toISOString().slice(11, 19);
}

async function renew() {
  if (document.hidden) return;
  try {
    const answer = await fetch(location.href, { headers: { Accept: "text/html" } });
    if (!answer.ok) throw new Error(String(answer.status));
    const page = new DOMParser().parseFromString(await answer.text(), "text/html");
    const typed = document.getElementById("q");
    const before = { value: typed.value, focused: document.activeElement === typed, at: typed.selectionStart };
    fresh.replaceChildren(...page.getElementById("fresh").childNodes);
    const field = document.getElementById("q");
    field.value = before.value;
    if (before.focused) {
      field.focus({ preventScroll: true });
      field.setSelectionRange(before.at, before.at);
    }
    renewed = new Date();
    document.dispatchEvent(new Event("refreshed"));
  } catch {
    const line = document.getElementById("refreshed");
    line.className = "failed";
    line.textContent = `Not renewed since ${clock(renewed)} UTC: the server does not answer.`;
  }
}

setInterval(renew, everyMs);
document.addEventListener("visibilitychange", renew);
