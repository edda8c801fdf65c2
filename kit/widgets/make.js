// An element with attributes (those that begin with "on" are listeners) and children.
function make(tag, attributes = {}, ...children) {
  const node = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) {
    if (name.startsWith("on")) node.addEventListener(name.slice(2), value);
    else if (value !== false && value != null) node.setAttribute(name, value === true ? "" : value);
  }
  node.append(...children);
  return node;
}

// A sentence with its signs and units kept on the line of their number.
const unbroken = (text) => text.replace(/ (?=[%±=]|s\b)|(?<==) /g, "\u00a0");
