"use strict";
const table = document.getElementById("panels");
const body = table.tBodies[0];
const rows = [...body.rows];
const heads = [...table.tHead.rows[0].cells];
const chosen = document.getElementById("sort");

// Cells without a figure stay at the end, whichever way the column is sorted.
function sortBy(column, direction) {
  const sign = direction === "descending" ? -1 : 1;
  const figure = (row) => row.cells[column].dataset.sort;
  const sorted = [...rows].sort((one, other) => {
    const a = figure(one), b = figure(other);
    if (a === "" || b === "") return (a === "") - (b === "");
    return sign * (a - b) || rows.indexOf(one) - rows.indexOf(other);
  });
  body.append(...sorted);
  heads.forEach((head, n) => {
    if (n === column) head.setAttribute("aria-sort", direction);
    else head.removeAttribute("aria-sort");
  });
  chosen.value = String(column);
}

heads.forEach((head, column) => {
  const button = head.querySelector("button");
  if (!button) return;
  button.addEventListener("click", () => {
    const now = head.getAttribute("aria-sort");
    const turned = now === "ascending" ? "descending" : "ascending";
    sortBy(column, now ? turned : head.dataset.first);
  });
});
chosen.addEventListener("change", () => {
  const column = Number(chosen.value);
  sortBy(column, heads[column].dataset.first);
});

const filters = [...document.querySelectorAll("[data-show]")];
function show(verdict) {
  rows.forEach((row) => { row.hidden = verdict !== "" && row.dataset.verdict !== verdict; });
  filters.forEach((button) => button.setAttribute("aria-pressed", String(button.dataset.show === verdict)));
  const seen = rows.filter((row) => !row.hidden).length;
  document.getElementById("count").textContent = `${seen} of ${rows.length} shown`;
}
filters.forEach((button) => button.addEventListener("click", () => show(button.dataset.show)));

function press(button) {
  const on = button.getAttribute("aria-pressed") !== "true";
  button.setAttribute("aria-pressed", String(on));
  return on;
}
document.querySelectorAll(".patch").forEach((button) => button.addEventListener("click", () => press(button)));
const all = document.getElementById("zones");
all.addEventListener("click", () => document.body.classList.toggle("zones", press(all)));

document.querySelector(".controls").hidden = false;
show("");
