// A sound file from outside: dropped on the page or picked, and searched from like any hit.

import { el } from '../shared/dom.js';

const OUTSIDE_BYTES = 64 * 2 ** 20;    // the server takes no more

function makeOutside(ask) {            // ask: {show(row), trouble(text)}
  const pick = el('input', { type: 'file', class: 'hidden', accept: 'audio/*,.wav,.flac,.aif,.aiff,.caf,.m4a', tabIndex: -1,
    'aria-label': 'Sound file to search from', onchange: () => { if (pick.files[0]) send(pick.files[0]); pick.value = ''; } });
  const box = el('span', { class: 'outside' }, el('button', { type: 'button', onclick: () => pick.click(),
    title: 'A recording from a phone, for instance; it is not taken into the catalog' }, 'Search from a file …'), pick);
  const send = async file => {
    if (file.size > OUTSIDE_BYTES) { ask.trouble('This file is too big for one hit.'); return; }
    ask.trouble(`Listening to ${file.name} …`);
    const answer = await fetch(`/api/outside?name=${encodeURIComponent(file.name)}`, { method: 'POST', body: file });
    if (answer.ok) ask.show(await answer.json()); else ask.trouble(await answer.text());
  };
  const drops = node => {
    node.addEventListener('dragover', event => { if (event.dataTransfer?.types.includes('Files')) { event.preventDefault(); node.classList.add('over'); } });
    node.addEventListener('dragleave', () => node.classList.remove('over'));
    node.addEventListener('drop', event => {
      node.classList.remove('over');
      if (event.dataTransfer?.files.length) { event.preventDefault(); send(event.dataTransfer.files[0]).catch(err => ask.trouble(err.message)); }
    });
  };
  return { box, send, drops };
}

export { makeOutside };
