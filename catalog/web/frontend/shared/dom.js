// Elements and key events. Text is always set as text, never as markup.

export function el(tag, props = {}, ...children) {
  const node = document.createElement(tag);
  for (const [key, value] of Object.entries(props)) {
    if (key.startsWith('on')) node.addEventListener(key.slice(2), value);
    else if (key === 'class') node.className = value;
    else if (key in node && key !== 'role' && key !== 'list') node[key] = value;
    else node.setAttribute(key, value);
  }
  node.append(...children.filter(child => child !== null && child !== undefined));
  return node;
}

export const button = (text, onclick, props = {}) =>
  el('button', { type: 'button', onclick, ...props }, text);

export function options(labels) {      // {value: label} as option elements
  return Object.entries(labels).map(([value, label]) => el('option', { value }, label));
}

// Keep a handled key from Streamlit's own shortcuts.
export function consumeKey(event) {
  event.preventDefault();
  event.stopPropagation();
}

export const hasModifier = event => event.ctrlKey || event.metaKey || event.altKey;

const WITHOUT_TEXT = /^(checkbox|radio|range|button|submit|file)$/;
export const isTyping = event => /^(INPUT|SELECT|TEXTAREA)$/.test(event.target.tagName)
  && !WITHOUT_TEXT.test(event.target.type);

export function isDark(node) {         // light text means a dark background
  const [red, green, blue] = getComputedStyle(node).color.match(/[\d.]+/g)?.map(Number) ?? [0, 0, 0];
  return red + green + blue > 380;
}
