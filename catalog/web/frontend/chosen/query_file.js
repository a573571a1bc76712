// A sound file that is not in the catalog: dropped on the page or picked, then searched from like a hit.

import { MAX_UPLOAD_BYTES } from '../constants.js';
import { button, el } from '../shared/dom.js';
import { fetchJson } from '../shared/http.js';

const ACCEPTED = 'audio/*,.wav,.flac,.aif,.aiff,.caf,.m4a';

// on: {show(hit), status(text)}
export function makeQueryFile(on) {
  const search = async file => {
    if (file.size > MAX_UPLOAD_BYTES) { on.status('This file is too large for one hit.'); return; }
    on.status(`Analyzing ${file.name} …`);
    try {
      const path = `/api/outside?name=${encodeURIComponent(file.name)}`;
      await on.show(await fetchJson(path, { method: 'POST', body: file }));
    } catch (error) { on.status(error.message); }
  };
  const picker = el('input', { type: 'file', class: 'hidden', accept: ACCEPTED, tabIndex: -1,
    'aria-label': 'Sound file to search from', onchange: () => {
      if (picker.files[0]) search(picker.files[0]);
      picker.value = '';
    } });
  const box = el('span', { class: 'query-file' }, button('Search from a file …', () => picker.click(),
    { title: 'For example a recording from a phone; it is not added to the catalog' }), picker);
  return { box, search };
}
