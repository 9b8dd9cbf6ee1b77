// Renews the part of the page marked data-live whenever the server says that something changed, and says so when it can't:
// an old page must not pass for a new one. While the page is hidden nothing is asked for.
let stream = null;
let shown = new Date();

const fresh = () => document.querySelector("[data-live]");

function say(text, isFailure) {
  const line = document.getElementById("renewed");
  if (!line) return;
  line.className = isFailure ? "failed" : "";
  line.textContent = text;
}

// Takes the address as it is now and puts what the server says into the page; what is typed and where one is stay.
export async function renew() {
  const answer = await fetch(location.href, { headers: { Accept: "text/html" } });
  if (!answer.ok) throw new Error(String(answer.status));
  const page = new DOMParser().parseFromString(await answer.text(), "text/html");
  const active = document.activeElement;
  const before = { id: active?.id, href: active?.getAttribute?.("href"), at: active?.selectionStart ?? null };
  const typed = document.getElementById("q")?.value;
  fresh().replaceChildren(...page.querySelector("[data-live]").childNodes);
  const field = document.getElementById("q");
  if (field) field.value = typed;
  const again = before.id ? document.getElementById(before.id) : before.href ? document.querySelector(`a[href="${CSS.escape(before.href)}"]`) : null;
  if (again && again !== document.activeElement) {
    again.focus({ preventScroll: true });
    if (before.at !== null && again.setSelectionRange) again.setSelectionRange(before.at, before.at);
  }
  shown = new Date();
  document.dispatchEvent(new Event("renewed"));
}

async function changed() {
  try {
    await renew();
  } catch {
    lost();
  }
}

function lost() {
  say(`Not renewed since ${shown.toLocaleTimeString([], { hour12: false })}: the server does not answer.`, true);
}

function listen() {
  if (document.hidden) {
    stream?.close();
    stream = null;
  } else if (!stream) {
    let isFirst = true;
    stream = new EventSource("/live");
    stream.addEventListener("changed", changed);
    stream.addEventListener("open", () => {
      if (!isFirst) changed();
      isFirst = false;
    });
    stream.addEventListener("error", lost);
  }
}

document.addEventListener("visibilitychange", () => {
  if (!document.hidden) changed();
  listen();
});
addEventListener("pagehide", () => stream?.close());
listen();
