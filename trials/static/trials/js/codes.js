// This module has no DOM access. Specimen codes as the server knows them (specimens/codes.py), so that a wrong
// specimen is found out at the bench, without the network.

const ALPHABET = "23456789ABCDEFGHJKMNPQRSTUVWXYZ";
const WEIGHTS = [2, 3, 5, 7];

/** {code} as stored (WXYZ-C) from what was typed or scanned, or {problem}, a sentence. */
export function readCode(text) {
  const plain = text.replace(/[\s-]/gu, "").toUpperCase();
  if (plain.length !== WEIGHTS.length + 1) {
    return { problem: `A specimen code has five characters, like 7K2M-3; '${text.trim()}' has not.` };
  }
  const places = [...plain].map((character) => ALPHABET.indexOf(character));
  const sum = WEIGHTS.reduce((total, weight, at) => total + weight * places[at], 0);
  if (places.includes(-1) || sum % ALPHABET.length !== places[WEIGHTS.length]) {
    return { problem: `'${text.trim()}' is not a specimen code of this lab: check each character.` };
  }
  return { code: `${plain.slice(0, WEIGHTS.length)}-${plain.slice(WEIGHTS.length)}` };
}

/** {code} of a blind study's tag, "Item 37" or "37", or {problem}. */
export function readBlindCode(text) {
  const number = text.trim().toLowerCase().replace(/^item\s*/u, "");
  return /^\d{1,6}$/u.test(number)
    ? { code: `Item ${number}` }
    : { problem: "This study is blind: give the number on the tag, such as 37." };
}

/** What a label's QR code holds: the code itself, or an address that ends in it. */
export function codeInLabel(content) {
  const last = content.trim().split(/[/#=]/u).filter(Boolean).at(-1) ?? "";
  return decodeURIComponent(last.replace(/%(?![0-9a-f]{2})/giu, "%25")).trim();
}

/** Whether what was read is what the run wants: {isRight, code, problem}. */
export function compare(content, { wanted, isBlind }) {
  const { code, problem } = (isBlind ? readBlindCode : readCode)(codeInLabel(content));
  if (problem) {
    return { isRight: false, code: "", problem };
  }
  if (code === wanted) {
    return { isRight: true, code, problem: "" };
  }
  return {
    isRight: false,
    code,
    problem: `Stop: this is ${code}, and this run wants ${wanted}. Nothing is lost yet. Put it back and fetch ${wanted}.`,
  };
}
