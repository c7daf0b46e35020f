// The sign-in page of a shared page: trades the code of the link for the session cookie.

const form = /** @type {HTMLFormElement} */ (document.getElementById("sign-in"));
const code = /** @type {HTMLInputElement} */ (document.getElementById("code"));
const message = /** @type {HTMLElement} */ (document.getElementById("sign-in-message"));

/** @param {string} tried */
async function enter(tried) {
  message.textContent = "";
  try {
    const response = await fetch("/api/enter", {
      method: "POST",
      headers: { "Content-Type": "application/json" },
      body: JSON.stringify({ code: tried }),
    });
    if (response.ok) {
      // the code leaves the address, so that it isn't kept in the history or shown over a shoulder
      history.replaceState(null, "", "/");
      location.reload();
      return;
    }
    const document = await response.json();
    message.textContent = document.error.text;
  } catch {
    message.textContent = "The program doesn’t answer. Is it still running?";
  }
}

form.addEventListener("submit", (event) => {
  event.preventDefault();
  enter(code.value);
});
if (location.hash.length > 1) enter(decodeURIComponent(location.hash.slice(1)));
