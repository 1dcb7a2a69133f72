// Who logs in goes on where they were: on a phone at the faults, else at the desk.

const form = document.getElementById("login");
const said = document.getElementById("said");

function onwards() {
  if (matchMedia("(max-width: 700px)").matches) return "/phone";
  return sessionStorage.getItem("tallywatch-desk") ?? "/";
}

form.addEventListener("submit", async (event) => {
  event.preventDefault();
  try {
    const answer = await fetch("/api/v1/login", {
      method: "POST",
      headers: { "Content-Type": "application/json" },
      body: JSON.stringify({ name: form.elements.name.value, password: form.elements.password.value }),
    });
    if (answer.ok) location.href = onwards();
    else said.textContent = (await answer.json()).detail;
  } catch {
    said.textContent = "The monitor could not be reached.";
  }
});
