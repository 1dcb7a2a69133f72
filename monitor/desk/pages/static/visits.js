// Visits: a form is a table of one row, so that page, command and program say the same of what is wrong.

import { act } from "./server.js";

const COLUMNS = ["from", "to", "subject", "cause", "part", "reference", "who", "text"];
const at = (id) => document.getElementById(id);

function cell(text) {
  return `"${text.replaceAll('"', '""')}"`;
}

async function send(what) {
  at("said").textContent = "";
  const why = await act("/api/v1/visits", what);
  if (why) at("said").textContent = why;
  else location.reload();
}

at("visit").addEventListener("submit", (event) => {
  event.preventDefault();
  const given = new FormData(event.target);
  const row = COLUMNS.map((name) => cell(String(given.get(name) ?? "").replaceAll("\r\n", "\n")));
  send({ what: "visits_imported", name: "the form", text: `${COLUMNS.join(",")}\n${row.join(",")}\n` });
});

// Of several the next is offered too: a browser offers only what begins with all that stands there.
const offered = [...at("parts").options].map((one) => one.value);
const subject = at("visit").elements.subject;
let shown = "";

subject.addEventListener("input", () => {
  const end = subject.value.lastIndexOf(";") + 1;
  const before = end ? `${subject.value.slice(0, end)} ` : "";
  if (before === shown) return;
  shown = before;
  at("several").replaceChildren(
    ...offered.map((name) => {
      const one = document.createElement("option");
      one.value = before + name;
      return one;
    }),
  );
  subject.setAttribute("list", before ? "several" : "parts");
});

at("table").addEventListener("change", async (event) => {
  const [file] = event.target.files;
  if (file) await send({ what: "visits_imported", name: file.name.slice(0, 64), text: await file.text() });
  event.target.value = "";
});

document.addEventListener("click", (event) => {
  const one = event.target.closest("[data-withdraw]");
  if (!one) return;
  const text = prompt("Why was it entered in error?");
  if (text) send({ what: "visit_withdrawn", visit: one.dataset.withdraw, text });
});
