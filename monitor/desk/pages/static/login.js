const form = document.getElementById("login");
form.addEventListener("submit", async (event) => {
  event.preventDefault();
  const answer = await fetch("/api/v1/login", {
    method: "POST",
    headers: { "Content-Type": "application/json" },
    body: JSON.stringify({ name: form.elements.name.value, password: form.elements.password.value }),
  });
  if (answer.ok) { location.href = "/"; return; }
  document.getElementById("said").textContent = (await answer.json()).detail;
});
