
"use strict";
(() => {
  const make = (tag, text, parent) => {
    const one = document.createElement(tag);
    one.textContent = text;
    parent.append(one);
    return one;
  };
  for (const group of document.querySelectorAll(".views")) {
    const figures = [...group.querySelectorAll("figure")];
    if (figures.length < 2) continue;
    const bar = document.createElement("div");
    bar.className = "switch";
    bar.setAttribute("role", "group");
    bar.setAttribute("aria-label", group.dataset.views);
    make("span", group.dataset.views + ":", bar);
    const buttons = figures.map((figure) => make("button", figure.dataset.name, bar));
    const show = (which) => {
      figures.forEach((figure, k) => { figure.hidden = k !== which; });
      buttons.forEach((button, k) => { button.setAttribute("aria-pressed", String(k === which)); });
    };
    buttons.forEach((button, k) => { button.type = "button"; button.addEventListener("click", () => show(k)); });
    group.prepend(bar);
    group.classList.add("switched");
    show(0);
  }
  if (typeof HTMLDialogElement === "undefined") return;
  for (const figure of document.querySelectorAll("figure")) {
    const image = figure.querySelector("img");
    const button = make("button", "Larger", figure);
    button.className = "bigger";
    button.type = "button";
    button.setAttribute("aria-label", "Larger: " + figure.dataset.name);
    button.addEventListener("click", () => {
      const dialog = make("dialog", "", document.body);
      dialog.setAttribute("aria-label", figure.dataset.name);
      const close = make("button", "Close", dialog);
      close.type = "button";
      const pan = make("div", "", dialog);
      pan.className = "pan";
      pan.tabIndex = 0;
      pan.append(image.cloneNode());
      close.addEventListener("click", () => dialog.close());
      dialog.addEventListener("close", () => { dialog.remove(); button.focus(); });
      dialog.showModal();
    });
  }
})();
