// This module has no DOM access. A moment of a film as people type it: 12.5, 1:02 or 1:02:03.5.

import { numberProblem, parseNumber } from "./numbers.js";

/** {seconds} or {problem}, a sentence. */
export function readFilmTime(text) {
  const parts = text.trim().split(":");
  if (!text.trim() || parts.length > 3 || parts.some((part) => part.trim() === "")) {
    return { problem: "Type seconds, or minutes:seconds such as 1:02.5." };
  }
  const wrong = parts.map(numberProblem).find(Boolean);
  if (wrong) {
    return { problem: wrong };
  }
  const numbers = parts.map(parseNumber);
  const [last, ...larger] = [...numbers].reverse();
  if (numbers.some((number) => number < 0) || (larger.length && last >= 60) || (larger.length > 1 && larger[0] >= 60)) {
    return { problem: "Minutes and seconds go from 0 to 59." };
  }
  if (larger.some((number) => !Number.isInteger(number))) {
    return { problem: "Only the seconds may have a decimal part." };
  }
  const seconds = larger.reduce((total, number, at) => total + number * 60 ** (at + 1), last);
  return { seconds: Number(seconds.toFixed(3)) };
}
