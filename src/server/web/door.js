// The sign-in page of a shared page: trades the code of the link for the session cookie.

const form = /** @type {HTMLFormElement} */ (document.getElementById("door"));
const code = /** @type {HTMLInputElement} */ (document.getElementById("code"));
const said = /** @type {HTMLElement} */ (document.getElementById("said"));

/** @param {string} tried */
async function enter(tried) {
  said.textContent = "";
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
    said.textContent = document.error.text;
  } catch {
    said.textContent = "The program doesn’t answer. Is it still running?";
  }
}

form.addEventListener("submit", (event) => {
  event.preventDefault();
  enter(code.value);
});
if (location.hash.length > 1) enter(decodeURIComponent(location.hash.slice(1)));
