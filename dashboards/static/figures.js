// Draws figures that the server describes, when they come into view. The pressure history is asked for anew at each zoom, so that
// it shows every sample once the span is short enough.
const dark = matchMedia("(prefers-color-scheme: dark)");
const isTouch = matchMedia("(pointer: coarse)").matches;
const config = {
  responsive: true,
  displaylogo: false,
  showSendToCloud: false,
  plotlyServerURL: "",
  doubleClick: false,
  modeBarButtons: [["zoom2d", "pan2d", "toImage"]],
};

const zone = document.documentElement.dataset.zone || "UTC";

function queryOf(element, span) {
  const query = new URLSearchParams({ scheme: dark.matches ? "dark" : "light", zone });
  if (element.dataset.test) query.set("test", element.dataset.test);
  if (span) {
    query.set("start", span.start);
    query.set("end", span.end);
  }
  return query;
}

async function ask(address, query) {
  const answer = await fetch(`${address}?${query}`);
  const body = await answer.json();
  if (!answer.ok) throw new Error(body.detail);
  return body;
}

async function figureOf(element, span) {
  const query = queryOf(element, span);
  query.set("units", element.dataset.units);
  if (span) query.set("points", String(Math.max(200, Math.min(4000, 2 * element.clientWidth))));
  const body = await ask(element.dataset.figure, query);
  for (const trace of body.data) trace.x ??= body.t;
  return body;
}

function say(element, text) {
  const line = document.createElement("p");
  line.className = "figure-state";
  line.setAttribute("role", "status");
  line.textContent = text;
  Plotly.purge(element);
  element.replaceChildren(line);
}

// Draws one figure; of several under way for one element only the last one is shown.
async function draw(element, span) {
  const turn = (element.turn ?? 0) + 1;
  element.turn = turn;
  element.setAttribute("aria-busy", "true");
  let figure;
  try {
    figure = await figureOf(element, span);
  } catch (error) {
    if (element.turn === turn) {
      element.removeAttribute("aria-busy");
      say(element, `This figure can't be shown: ${error instanceof TypeError ? "the server does not answer." : error.message}`);
    }
    return;
  }
  if (element.turn !== turn) return;
  element.querySelector(":scope > .figure-state")?.remove();
  if (isTouch) figure.layout.dragmode = false; // else a finger could not scroll past it
  await Plotly.react(element, figure.data, figure.layout, config);
  if (element.dataset.marks && figure.data.length) {
    // the history is there first; what the unit was doing meanwhile is laid over it once it is known
    const marks = await ask(element.dataset.marks, queryOf(element, { start: figure.start, end: figure.end })).catch(() => null);
    if (element.turn !== turn) return;
    if (marks) {
      figure.layout.shapes = [...(figure.layout.shapes ?? []), ...marks.shapes];
      figure.data.push(...marks.data);
      figure.has_phases = marks.has_phases;
      await Plotly.react(element, figure.data, figure.layout, config);
    }
  }
  element.removeAttribute("aria-busy");
  element.dataset.drawn = String(turn);
  element.shown = figure;
}

// The pressure history -----------------------------------------------------------------------------------------------

const clocks = new Intl.DateTimeFormat("en-CA", {
  timeZone: zone, hourCycle: "h23", year: "numeric", month: "2-digit", day: "2-digit", hour: "2-digit", minute: "2-digit", second: "2-digit",
});

// What the zone's clocks show at a moment, as if it were UTC, in ms.
function shownAt(ms) {
  const part = Object.fromEntries(clocks.formatToParts(ms).map(({ type, value }) => [type, value]));
  return Date.UTC(part.year, part.month - 1, part.day, part.hour, part.minute, part.second) + (ms % 1000);
}

// Turns what fields and figures write ("2031-02-03", "2031-02-03 11:20", "2031-02-03 11:20:00.1234"), times of the zone's
// clocks, into RFC 3339.
function utc(text) {
  const [date, clock = "00:00"] = text.trim().split(/[ T]/);
  const shown = Date.parse(`${date}T${clock.length === 5 ? `${clock}:00` : clock.slice(0, 12)}Z`);
  let moment = shown;
  for (let i = 0; i < 2; i += 1) moment += shown - shownAt(moment);
  return new Date(moment).toISOString();
}

const field = (date) => new Date(shownAt(date.getTime())).toISOString().slice(0, 19).replace("T", " ");

function describe(figure) {
  const count = figure.n_samples.toLocaleString("en").replaceAll(",", "\u202f");
  const how = figure.is_thinned ? "thinned, each peak and dip kept; look closer for every sample" : "every one drawn";
  const phases = figure.has_phases === false ? " What the unit was doing is drawn for spans of up to two days." : "";
  return `${count} samples from ${field(new Date(figure.start))} to ${field(new Date(figure.end))}, ${how}.${phases}`;
}

function history(form) {
  const element = document.getElementById(form.dataset.for);
  const note = document.getElementById(`${form.dataset.for}-shows`);
  const hint = isTouch ? "Choose a shorter span to look closer." : note.textContent;
  const chosen = () => ({ start: utc(form.start.value), end: utc(form.end.value) });
  const show = async (span) => {
    await draw(element, span);
    if (element.shown) note.textContent = `${describe(element.shown)} ${hint}`;
  };
  const press = (pressed) => {
    for (const button of form.querySelectorAll("[data-hours]")) button.setAttribute("aria-pressed", String(button === pressed));
  };
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    press(null);
    show(chosen());
  });
  for (const button of form.querySelectorAll("[data-hours]")) {
    button.addEventListener("click", () => {
      const last = new Date(`${form.dataset.last}Z`);
      last.setSeconds(last.getSeconds() + 1);
      const first = new Date(`${form.dataset.first}Z`);
      const start = button.dataset.hours === "all" ? first : new Date(Math.max(first, last - 3600e3 * Number(button.dataset.hours)));
      form.start.value = field(start);
      form.end.value = field(last);
      press(button);
      show(chosen());
    });
  }
  show(chosen()).then(() => {
    element.on?.("plotly_relayout", (change) => {
      const from = change["xaxis.range[0]"];
      const to = change["xaxis.range[1]"];
      if (from && to) show({ start: utc(from), end: utc(to) });
    });
    element.on?.("plotly_doubleclick", () => show(chosen()));
  });
  return () => show(element.shown ? { start: element.shown.start, end: element.shown.end } : chosen());
}

// Everything on the page ---------------------------------------------------------------------------------------------

const redraws = [];
for (const form of document.querySelectorAll("form[data-for]")) redraws.push(history(form));

const inView = new IntersectionObserver(
  (entries) => {
    for (const { isIntersecting, target } of entries) {
      if (!isIntersecting) continue;
      inView.unobserve(target);
      draw(target);
      redraws.push(() => draw(target));
    }
  },
  { rootMargin: "300px" },
);
for (const element of document.querySelectorAll("[data-figure]:not([data-zoom])")) inView.observe(element);
dark.addEventListener("change", () => redraws.forEach((redraw) => redraw()));
