// Hides the rows of this page that lack one of the words typed. The button asks the server for all pages.
function filter() {
  const field = document.getElementById("q");
  const words = field.value.toLowerCase().split(/\s+/).filter(Boolean);
  let shown = 0;
  let rows = 0;
  for (const band of document.querySelectorAll(".band:has(table.units)")) {
    let inBand = 0;
    for (const row of band.querySelectorAll("tbody tr")) {
      const text = row.textContent.toLowerCase();
      row.hidden = !words.every((word) => text.includes(word));
      inBand += row.hidden ? 0 : 1;
      rows += 1;
    }
    band.hidden = inBand === 0;
    shown += inBand;
  }
  document.getElementById("filtered").textContent = shown === rows ? "" : `${shown} of the ${rows} units on this page`;
}

document.addEventListener("input", (event) => {
  if (event.target.id === "q") filter();
});
document.addEventListener("refreshed", filter);
