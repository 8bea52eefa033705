"use strict";
// Freezes a blind review after its reviewer has said so.
document.getElementById("freeze").addEventListener("submit", async (e) => {
  e.preventDefault();
  const to = document.querySelector('meta[name="save-to"]');
  const says = document.getElementById("says");
  const answer = await fetch("freeze", {
    method: "POST", body: e.target.elements.reviewer.value, headers: { "X-Review-Token": to.dataset.token },
  }).catch((error) => ({ ok: false, text: async () => String(error) }));
  says.textContent = (answer.ok ? "" : "Not frozen: ") + (await answer.text());
});
