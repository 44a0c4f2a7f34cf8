/* Files go to the server as they are, in a stream, with their progress in words: never through the
   page's state. Listening is on the document, because the page's parts are redrawn. */
(function () {
  "use strict";
  const words = window.occlusimWords || {};
  const say = (id, text) => window.dash_clientside.set_props(id, { children: text });
  const fill = (text, values) => text.replace(/\{(\w+)(?::[^}]*)?\}/g, (_, key) => values[key]);

  function caseId() {
    return new URLSearchParams(window.location.search).get("case");
  }

  function send(file, role, most) {
    return new Promise((resolve) => {
      const name = file.name;
      if (file.size > most) {
        resolve(fill(words.too_large, { name, size: Math.round(file.size / 1e6), most: most / 1e6 }));
        return;
      }
      const request = new XMLHttpRequest();
      const base = window.location.pathname.replace(/[^/]*$/, "");
      request.open("PUT", `${base}case/${encodeURIComponent(caseId())}/upload/${role}?name=${encodeURIComponent(name)}`);
      request.upload.onprogress = (event) => {
        const percent = event.total ? Math.floor((100 * event.loaded) / event.total) : 0;
        say(`upload-${role}`, percent < 100 ? fill(words.uploading, { name, percent }) : fill(words.checking, { name }));
      };
      request.onload = () => {
        let answer = {};
        try { answer = JSON.parse(request.responseText); } catch (error) { answer = {}; }
        resolve(request.status === 200 ? "" : answer.words || fill(words.not_reached, { name }));
      };
      request.onerror = () => resolve(fill(words.not_reached, { name }));
      request.send(file);
    });
  }

  async function take(slot, files) {
    const role = slot.dataset.role;
    const most = Number(slot.dataset.most);
    const chosen = role === "bite" ? Array.from(files) : Array.from(files).slice(0, 1);
    const errors = [];
    say(`upload-error-${role}`, "");
    for (const file of chosen) {
      const error = await send(file, role, most);
      if (error) errors.push(error);
      window.dash_clientside.set_props("nudge", { data: Date.now() });
    }
    say(`upload-${role}`, "");
    say(`upload-error-${role}`, errors.join(" "));
  }

  function slotOf(event) {
    const slot = event.target.closest ? event.target.closest(".slot") : null;
    return slot && !slot.closest("fieldset[disabled]") ? slot : null;
  }

  document.addEventListener("click", (event) => {
    const button = event.target.closest ? event.target.closest("button.choose") : null;
    if (!button || button.matches(":disabled")) return;
    const slot = button.closest(".slot");
    const input = document.createElement("input");
    input.type = "file";
    input.accept = ".stl,.ply,.obj";
    input.multiple = slot.dataset.role === "bite";
    input.addEventListener("change", () => take(slot, input.files));
    input.click();
  });

  let over = null;
  function mark(slot) {
    if (over && over !== slot) over.classList.remove("over");
    if (slot) slot.classList.add("over");
    over = slot;
  }
  document.addEventListener("dragover", (event) => {
    event.preventDefault();
    mark(slotOf(event));
    if (event.dataTransfer) event.dataTransfer.dropEffect = over ? "copy" : "none";
  });
  document.addEventListener("dragleave", (event) => { if (!event.relatedTarget) mark(null); });
  document.addEventListener("drop", (event) => {
    event.preventDefault();
    const slot = slotOf(event);
    mark(null);
    if (slot && event.dataTransfer && event.dataTransfer.files.length) take(slot, event.dataTransfer.files);
  });
})();

/* The library calls its groups of radio buttons list boxes; a screen reader is told what they are. */
(function () {
  "use strict";
  function name(root) {
    root.querySelectorAll(".dash-radioitems[role=listbox]").forEach((group) => {
      group.setAttribute("role", "radiogroup");
    });
    root.querySelectorAll(".dash-radioitems label[role=option], .dash-radioitems label[aria-selected]").forEach((label) => {
      label.removeAttribute("role");
      label.removeAttribute("aria-selected");
    });
  }
  new MutationObserver(() => name(document)).observe(document.documentElement, {
    subtree: true, childList: true, attributes: true, attributeFilter: ["role", "aria-selected"],
  });
})();
