// View module: a second person confirms a reading by their own password. It needs the network: a password is sent at
// once or not at all, and never kept on the tablet.

import { clientFor } from "./client.js";
import { clearProblems, showProblems } from "./problems.js";

export function wireConfirm(page, data) {
  const client = clientFor({ fetch: (...request) => window.fetch(...request), session: data.addresses.session });
  for (const form of page.querySelectorAll("[data-confirm]")) {
    const button = form.querySelector("[type=submit]");
    form.addEventListener("submit", async (event) => {
      event.preventDefault();
      clearProblems(form);
      const body = form.elements.username
        ? { username: form.elements.username.value.trim(), password: form.elements.password.value }
        : {};
      if (body.username === "") {
        showProblems(form, { username: "Type the second person's username." });
        return;
      }
      const keys = [...form.querySelectorAll("[data-key]")];
      if (keys.length) {
        // typed again by the second person; the server compares both
        body.raw = Object.fromEntries(keys.map(({ name, value }) => [name, value.trim() || null]));
        if (body.raw.grade) {
          body.raw.grade = Number(body.raw.grade);
        }
      }
      button.disabled = true;
      const now = await client.session();
      const entry = { method: "POST", address: form.dataset.confirm, body, by: data.user };
      const answer = now.status === 200 ? await client.deliver(entry, { token: now.body.csrf_token }) : now;
      button.disabled = false;
      if (form.elements.password) {
        form.elements.password.value = "";
      }
      if (answer.status === 201 && answer.body?.id === form.dataset.reading) {
        window.location.reload();
      } else {
        showProblems(form, answer.body?.problems ?? { "": "The server did not answer. Confirm when the network is back." });
      }
    });
  }
}
