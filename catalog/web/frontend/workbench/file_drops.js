// A file dropped anywhere on the page is searched from; a folder is found on this machine and brought in.

import { fetchJson } from '../shared/http.js';

const AUDIO = /\.(wav|flac|aiff?|caf|m4a|mp3|ogg)$/i;
const MAX_INSIDE = 50;                 // names by which a folder is recognized

const readEntries = entry => new Promise((done, fail) => { entry.createReader().readEntries(done, fail); });

async function findFolder(entry) {     // its paths on this machine; browsers do not give them
  const inside = (await readEntries(entry)).map(({ name }) => name).slice(0, MAX_INSIDE);
  return fetchJson('/api/folders', { method: 'POST', body: JSON.stringify({ name: entry.name, inside }) });
}

// on: {search(file), bring(path), notice(text)}; the result removes the listeners.
export function addFileDrops(on) {
  const bring = async entry => {
    on.notice(`Looking for the folder ${entry.name} on this machine …`);
    try {
      const [path, ...others] = await findFolder(entry);
      if (!path) on.notice(`The folder ${entry.name} was not found; enter its path under Bring in.`);
      else {
        on.notice(others.length ? `Found ${path} and ${others.length} more of that name; check the path.`
          : `Found ${path}; press Scan to bring it in.`);
      }
      on.bring(path ?? '');
    } catch (error) { on.notice(error.message); }
  };
  const over = event => { if (event.dataTransfer?.types.includes('Files')) event.preventDefault(); };
  const drop = event => {
    const { files, items } = event.dataTransfer ?? {};
    if (!files?.length || event.defaultPrevented) return;
    event.preventDefault();
    const entry = items[0]?.webkitGetAsEntry?.();   // must be read before the event has ended
    if (entry?.isDirectory) bring(entry);
    else if (AUDIO.test(files[0].name)) on.search(files[0]);
    else on.notice(`${files[0].name} is not an audio file that can be searched from.`);
  };
  document.addEventListener('dragover', over);
  document.addEventListener('drop', drop);
  return () => {
    document.removeEventListener('dragover', over);
    document.removeEventListener('drop', drop);
  };
}
