// Shows the − and + of each quantity and lets them count.
// Without this script the quantity is a plain number field.
"use strict";

const bounds = (input) => ({
  low: input.min === "" ? 0 : Number(input.min),
  high: input.max === "" ? Infinity : Number(input.max),
});

const dim = (stepper) => {
  const input = stepper.querySelector("input");
  const { low, high } = bounds(input);
  for (const button of stepper.querySelectorAll("button")) {
    const atEnd = Number(button.dataset.by) < 0 ? input.valueAsNumber <= low : input.valueAsNumber >= high;
    button.disabled = input.disabled || atEnd;
  }
};

const show = (root) => {
  for (const stepper of root.querySelectorAll("[data-stepper]")) {
    stepper.querySelectorAll("button").forEach((button) => { button.hidden = false; });
    dim(stepper);
  }
};

const stepBy = (input, by) => {
  const { low, high } = bounds(input);
  const step = Number(input.step) || 1;
  input.value = Math.min(high, Math.max(low, (input.valueAsNumber || 0) + by * step));
  input.dispatchEvent(new Event("input", { bubbles: true }));
  input.dispatchEvent(new Event("change", { bubbles: true }));
};

document.addEventListener("click", (event) => {
  const button = event.target.closest("[data-stepper] button");
  if (button) stepBy(button.parentElement.querySelector("input"), Number(button.dataset.by));
});
document.addEventListener("input", (event) => {
  const stepper = event.target.closest("[data-stepper]");
  if (stepper) dim(stepper);
});
document.addEventListener("htmx:load", (event) => show(event.detail.elt.parentElement ?? document));
document.addEventListener("DOMContentLoaded", () => show(document));
