// Errors of requests and decoding, shown as a banner above each view for a few seconds.

import { el } from './dom.js';

const SHOWN_S = 8;                     // long enough to be read
const NO_SERVER = 'The server does not answer. Start it again and open the address that it prints.';

export function reportError(error) {
  const message = error instanceof TypeError ? NO_SERVER : error.message;   // fetch throws it offline
  document.dispatchEvent(new CustomEvent('hits-error', { detail: message }));
}

// Put a hidden banner at the top of a view; the result removes its listener.
export function addErrorBanner(root) {
  const banner = el('p', { class: 'error-banner', role: 'alert', hidden: true });
  let timer = 0;
  const show = event => {
    banner.textContent = event.detail;
    banner.hidden = false;
    clearTimeout(timer);
    timer = setTimeout(() => { banner.hidden = true; }, 1000 * SHOWN_S);
  };
  document.addEventListener('hits-error', show);
  root.prepend(banner);
  return () => { clearTimeout(timer); document.removeEventListener('hits-error', show); };
}
