// What an automated look at the page finds wrong: controls without a name, text of weak contrast.
({
  unnamed: [...document.querySelectorAll("input, button, select, summary, iframe, a")]
    .filter((e) => !(e.labels && e.labels.length) && !e.getAttribute("aria-label") && !e.title)
    .filter((e) => !e.textContent.trim() && !e.closest(".modebar") && e.type !== "hidden")
    .map((e) => e.outerHTML.slice(0, 120)),
  weak: (() => {
    const linear = (x) => (x <= 0.04045 ? x / 12.92 : ((x + 0.055) / 1.055) ** 2.4);
    const light = ([r, g, b]) =>
      0.2126 * linear(r / 255) + 0.7152 * linear(g / 255) + 0.0722 * linear(b / 255);
    const numbers = (text) => text.match(/[\d.]+/g).map(Number);
    const behind = (e) => {
      for (; e; e = e.parentElement) {
        const colour = numbers(getComputedStyle(e).backgroundColor);
        if (colour.length < 4 || colour[3] > 0) return colour;
      }
      return [255, 255, 255];
    };
    const isText = (e) =>
      (e.tagName === "INPUT" && e.type !== "radio") ||
      [...e.childNodes].some((n) => n.nodeType === 3 && n.textContent.trim());
    const found = [];
    for (const e of document.querySelectorAll("body *")) {
      const left = e.closest(".modebar, .hidden, .plot, fieldset:disabled, script, style");
      if (!e.offsetParent || e.disabled || left || !isText(e)) continue;
      const a = light(numbers(getComputedStyle(e).color));
      const b = light(behind(e));
      const ratio = (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
      if (ratio < 4.5) found.push(`${ratio.toFixed(2)} ${e.outerHTML.slice(0, 100)}`);
    }
    return found;
  })(),
});
