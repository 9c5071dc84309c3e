// One segment's form: keeps itself, shows flags, completes figures, and lets a person choose between two sets of words.

import { completed, fitting, inserted, openFigure } from "./completion.js";
import { compared } from "./diff.js";
import { stillThere, stretches } from "./marks.js";

const KEEP_AFTER_MS = 900;
const TRY_AGAIN_MS = 4000;
const FIELDS = ["title", "script", "screen_text", "shots", "pause_s"];

export class SegmentEditor {
  constructor(root, { figures, onState, standUrl }) {
    this.root = root;
    this.form = root.querySelector("[data-segment-form]");
    this.script = root.querySelector("[data-script]");
    this.under = root.querySelector("[data-under]");
    this.choices = root.querySelector("[data-choices]");
    this.told = root.querySelector("[data-kept-state]");
    this.conflict = root.querySelector("[data-conflict]");
    this.figures = figures;
    this.onState = onState;
    this.standUrl = standUrl;
    this.token = this.form.elements.csrfmiddlewaretoken.value;
    this.flags = [];
    this.flaggedText = this.script.value;
    this.kept = this.words();
    this.timer = 0;
    this.busy = false;
    this.choice = -1;
    this.found = [];
    this.current = null;
    this.listen();
  }

  get pk() {
    return Number(this.root.dataset.segmentEditor);
  }

  get isUnkept() {
    return JSON.stringify(this.words()) !== JSON.stringify(this.kept);
  }

  listen() {
    this.form.addEventListener("input", () => this.touched());
    this.form.addEventListener("submit", (event) => {
      if (event.submitter?.hasAttribute("data-keep-button")) {
        event.preventDefault();
        this.keep();
      }
    });
    this.script.addEventListener("scroll", () => {
      this.under.scrollTop = this.script.scrollTop;
    });
    this.script.addEventListener("keydown", (event) => this.key(event));
    this.script.addEventListener("input", () => this.offer());
    this.script.addEventListener("blur", () => window.setTimeout(() => this.closeChoices(), 150));
    this.choices.addEventListener("mousedown", (event) => {
      const option = event.target.closest("[role=option]");
      if (option) {
        event.preventDefault();
        this.take(Number(option.dataset.place));
      }
    });
    this.conflict.addEventListener("click", (event) => {
      const chosen = event.target.closest("[data-choose]")?.dataset.choose;
      if (chosen) {
        this.choose(chosen);
      }
    });
  }

  words() {
    return Object.fromEntries(FIELDS.map((name) => [name, this.form.elements[name].value]));
  }

  touched() {
    this.draw();
    if (!this.conflict.hidden) {
      return;
    }
    this.say("Not kept yet", "waiting");
    window.clearTimeout(this.timer);
    this.timer = window.setTimeout(() => this.keep(), KEEP_AFTER_MS);
  }

  say(words, state) {
    this.told.textContent = words;
    this.told.dataset.state = state;
  }

  async keep() {
    window.clearTimeout(this.timer);
    if (this.busy || !this.conflict.hidden) {
      return;
    }
    this.busy = true;
    const sent = this.words();
    try {
      const answer = await fetch(this.form.action, {
        method: "PUT",
        headers: {
          "Content-Type": "application/json",
          Accept: "application/json",
          "If-Match": `"${this.form.elements.version.value}"`,
          "X-CSRFToken": this.token,
        },
        body: JSON.stringify(sent),
      });
      const type = answer.headers.get("Content-Type") ?? "";
      if (!type.includes("application/json")) {
        throw new Error(`the server answered ${answer.status}`);
      }
      this.answered(answer.status, await answer.json(), sent);
    } catch (error) {
      console.warn("The words are not kept yet; trying again.", error);
      this.say("Not kept: no answer from the server. Trying again; leave this page open.", "problem");
      this.timer = window.setTimeout(() => this.keep(), TRY_AGAIN_MS);
    } finally {
      this.busy = false;
    }
    if (this.told.dataset.state === "kept" && this.isUnkept) {
      this.touched();
    }
  }

  answered(status, told, sent) {
    if (status === 200) {
      this.kept = sent;
      this.form.elements.version.value = told.kept;
      this.say("Kept", "kept");
      this.onState(told);
    } else if (status === 412) {
      this.show(told, sent);
    } else {
      this.say(told.problems?.join(" ") ?? "Not kept.", "problem");
    }
  }

  show(told, sent) {
    const { current } = told;
    this.current = current;
    this.say("Not kept: choose below", "problem");
    this.conflict.querySelector("[data-conflict-words]").textContent =
      `${current.by} changed this at ${current.at}, while you were writing. Nothing is overwritten.`;
    const one = this.conflict.querySelector("[data-theirs]");
    const two = this.conflict.querySelector("[data-mine]");
    one.replaceChildren();
    two.replaceChildren();
    const whole = (words) =>
      [words.title, words.script, words.screen_text, words.shots].filter(Boolean).join("\n\n");
    for (const part of compared(whole(current), whole(sent))) {
      if (part.kind !== "mine") {
        one.append(piece(part.kind === "theirs" ? "ins" : "span", part.text));
      }
      if (part.kind !== "theirs") {
        two.append(piece(part.kind === "mine" ? "ins" : "span", part.text));
      }
    }
    this.conflict.hidden = false;
    this.conflict.focus();
  }

  choose(chosen) {
    const { current } = this;
    if (chosen === "theirs") {
      for (const name of FIELDS) {
        this.form.elements[name].value = current[name];
      }
      this.kept = this.words();
    } else if (chosen === "both") {
      this.script.value = `${this.script.value}\n\n${current.script}`;
    }
    this.form.elements.version.value = current.version;
    this.conflict.hidden = true;
    this.script.focus();
    this.draw();
    if (chosen === "theirs") {
      this.say("Theirs is here", "kept");
    } else {
      this.keep();
    }
  }

  showState(row) {
    this.flags = row.flags.filter((flag) => flag.field === "script");
    this.flaggedText = this.kept.script;
    this.root.querySelector("[data-clock]").textContent = row.clock;
    this.root.querySelector("[data-length]").textContent = row.length;
    this.root.querySelector("[data-words]").textContent = row.words;
    this.root.querySelector("[data-read]").textContent = row.read;
    this.root.querySelector("[data-title-shown]").textContent = this.kept.title;
    this.listFlags(row.flags);
    this.root.querySelector("[data-shown]").replaceChildren(...row.shown.map(shotItem));
    this.draw();
  }

  listFlags(flags) {
    const list = this.root.querySelector("[data-flags]");
    const typing = list.contains(document.activeElement) && document.activeElement.value;
    if (typing) {
      return; // a reason that is being typed is not taken away
    }
    list.replaceChildren(...flags.map((flag) => this.flagItem(flag)));
  }

  flagItem(flag) {
    const item = document.createElement("li");
    item.className = flag.stand ? "flag" : "flag flag-open";
    item.dataset.flag = flag.rule;
    const head = document.createElement("p");
    head.append(piece("strong", flag.name), " ", piece("q", flag.quote));
    item.append(head, piece("p", `${flag.why} ${flag.instead}`));
    if (flag.stand) {
      const stands = document.createElement("p");
      stands.append(piece("strong", "It stands:"), ` ${flag.stand}`);
      item.append(stands);
      return item;
    }
    if (flag.field === "script" && flag.offers.length) {
      const row = document.createElement("p");
      row.className = "flag-offers";
      for (const key of flag.offers) {
        const button = piece("button", `Put in {${key}}`);
        button.type = "button";
        button.className = "button button-quiet button-small";
        button.addEventListener("click", () => this.replace(flag, key));
        row.append(button);
      }
      item.append(row);
    }
    item.append(this.standForm(flag));
    return item;
  }

  standForm(flag) {
    const form = document.createElement("form");
    form.className = "stand";
    form.method = "post";
    const field = document.createElement("div");
    field.className = "field";
    const label = piece("label", "It may stand, because");
    label.className = "field-label";
    const input = document.createElement("input");
    input.id = `reason-${this.pk}-${flag.rule}-${flag.field}-${flag.start}`;
    label.htmlFor = input.id;
    input.name = "reason";
    input.maxLength = 300;
    input.required = true;
    field.append(label, input);
    const button = piece("button", "Let it stand");
    button.className = "button button-quiet button-small";
    form.append(field, button);
    form.addEventListener("submit", async (event) => {
      event.preventDefault();
      const given = new FormData();
      for (const name of ["rule", "quote", "sentence"]) {
        given.set(name, flag[name]);
      }
      given.set("reason", input.value);
      given.set("csrfmiddlewaretoken", this.token);
      const answer = await fetch(this.standUrl, {
        method: "POST",
        headers: { Accept: "application/json" },
        body: given,
      });
      if (answer.ok) {
        input.value = "";
        button.focus();
        this.onState(null);
      } else {
        label.textContent = "Not kept. It may stand, because";
      }
    });
    return form;
  }

  replace(flag, key) {
    const now = stillThere([flag], this.flaggedText, this.script.value)[0];
    if (!now) {
      return;
    }
    const text = this.script.value;
    // a figure without its range keeps its place and gets the range behind it
    const put =
      flag.rule === "uncertainty"
        ? `${text.slice(now.start, now.end)} ({${key}})`
        : `{${key}}`;
    this.script.value = text.slice(0, now.start) + put + text.slice(now.end);
    this.script.focus();
    this.script.setSelectionRange(now.start + put.length, now.start + put.length);
    this.touched();
  }

  draw() {
    const text = this.script.value;
    const flags = stillThere(this.flags, this.flaggedText, text);
    this.under.replaceChildren(
      ...stretches(text, flags).map((part) => {
        if (!part.kind) {
          return document.createTextNode(part.text);
        }
        const mark = piece("mark", part.text);
        mark.className = `mark-${part.kind}`;
        return mark;
      }),
      // a last empty line is as high as in the text box
      document.createTextNode("\n"),
    );
    this.under.scrollTop = this.script.scrollTop;
  }

  offer() {
    const open = openFigure(this.script.value, this.script.selectionStart);
    if (!open) {
      this.closeChoices();
      return;
    }
    this.found = fitting(this.figures, open.typed);
    if (!this.found.length) {
      this.closeChoices();
      return;
    }
    this.choice = 0;
    this.choices.replaceChildren(
      ...this.found.map((figure, place) => {
        const option = document.createElement("li");
        option.id = `${this.choices.id}-${place}`;
        option.setAttribute("role", "option");
        option.dataset.place = place;
        option.append(piece("strong", figure.words), piece("span", figure.label));
        return option;
      }),
    );
    this.choices.hidden = false;
    this.mark();
  }

  mark() {
    for (const option of this.choices.children) {
      option.setAttribute("aria-selected", String(Number(option.dataset.place) === this.choice));
    }
    const chosen = this.choices.children[this.choice];
    this.script.setAttribute("aria-activedescendant", chosen.id);
    chosen.scrollIntoView({ block: "nearest" });
  }

  closeChoices() {
    this.choices.hidden = true;
    this.found = [];
    this.script.removeAttribute("aria-activedescendant");
  }

  key(event) {
    if (this.choices.hidden) {
      return;
    }
    const step = { ArrowDown: 1, ArrowUp: -1 }[event.key];
    if (step) {
      event.preventDefault();
      this.choice = (this.choice + step + this.found.length) % this.found.length;
      this.mark();
    } else if (event.key === "Enter" || event.key === "Tab") {
      event.preventDefault();
      this.take(this.choice);
    } else if (event.key === "Escape") {
      event.preventDefault();
      this.closeChoices();
    }
  }

  take(place) {
    const caret = this.script.selectionStart;
    const open = openFigure(this.script.value, caret);
    const figure = this.found[place];
    if (open && figure) {
      this.put(completed(this.script.value, caret, open, figure.key));
    }
    this.closeChoices();
  }

  insert(key) {
    const { selectionStart, selectionEnd, value } = this.script;
    this.put(inserted(value, selectionStart, selectionEnd, key));
  }

  addShot(title, key) {
    const box = this.form.elements.shots;
    box.closest("details").open = true;
    // a bar parts the line, so a caption may not hold one
    const line = `${title.replaceAll("|", "/").slice(0, 200)} | ${key}`;
    box.value = box.value.trim() ? `${box.value.trimEnd()}\n${line}` : line;
    box.focus();
    this.touched();
  }

  put({ text, caret }) {
    this.script.value = text;
    this.script.focus();
    this.script.setSelectionRange(caret, caret);
    this.touched();
  }
}

function shotItem(shot) {
  const item = document.createElement("li");
  const box = document.createElement("div");
  box.className = "shot";
  for (const one of shot.seen) {
    const picture = document.createElement("img");
    picture.className = "shot-picture";
    picture.src = one.url;
    picture.alt = one.alternative;
    picture.loading = "lazy";
    box.append(picture);
  }
  const words = document.createElement("div");
  words.append(piece("p", [shot.what, shot.film].filter(Boolean).join(", ")));
  for (const problem of shot.problems) {
    const told = piece("p", problem);
    told.className = "shot-problem";
    words.append(told);
  }
  box.append(words);
  item.append(box);
  return item;
}

function piece(name, text) {
  const node = document.createElement(name);
  node.textContent = text;
  return node;
}
