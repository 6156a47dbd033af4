// On every page: what is waited for is said, and nothing is sent twice.
"use strict";
document.addEventListener("submit", (event) => {
  const form = event.target;
  if (form.classList.contains("upload") || form.method === "get") return;
  const button = event.submitter || form.querySelector("button[type=submit]");
  if (!button) return;
  if (form.dataset.sent) { event.preventDefault(); return; }
  form.dataset.sent = "yes";
  button.setAttribute("aria-busy", "true");
  button.append(" …");
});
// A page that the browser kept when going back can be sent anew.
window.addEventListener("pageshow", (event) => { if (event.persisted) location.reload(); });
