
// Unfolds everything to print and folds it again after; finds words in what the groups wrote. The page works without it.
const folds = () => document.querySelectorAll("main details");
let opened = [];
addEventListener("beforeprint", () => {
  opened = [...folds()].filter((part) => part.open);
  for (const part of folds()) part.open = true;
});
addEventListener("afterprint", () => {
  for (const part of folds()) part.open = opened.includes(part);
});
document.querySelector("#fold").addEventListener("click", () => {
  for (const part of folds()) part.open = false;
});
for (const field of document.querySelectorAll("input[type=search]")) {
  field.parentElement.hidden = false;
  field.addEventListener("input", () => {
    const words = field.value.toLowerCase().split(/\s+/).filter(Boolean);
    for (const text of field.closest(".class-view").querySelectorAll("ul.cv-reasons > li, article")) {
      text.hidden = !words.every((word) => text.textContent.toLowerCase().includes(word));
    }
  });
}
