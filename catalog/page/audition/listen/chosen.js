// The chosen hit: waveform, short spectrum, numbers, and rows of what is like it.

const SPECTRUM_S = 0.6, SPECTRUM_BINS = 512, SPECTRUM_ROWS = 40, SPECTRUM_COLUMNS = 110;
const SAID = { user: 'as you said', name: 'by its name', sound: 'by its sound', example: 'by your examples' };
const SOUND_FIRST_MS = 50;
const FEW = 5;                         // rows of a list before “more” is asked for
const SPECTRUM_FLOOR_DB = 62;          // below the loudest cell nothing is drawn

function fft(re, im) {                 // in place, length a power of two (Cooley and Tukey, 1965)
  const n = re.length;
  for (let i = 1, j = 0; i < n; i++) {
    let bit = n >> 1;
    for (; j & bit; bit >>= 1) j ^= bit;
    j ^= bit;
    if (i < j) { [re[i], re[j]] = [re[j], re[i]]; [im[i], im[j]] = [im[j], im[i]]; }
  }
  for (let size = 2; size <= n; size <<= 1) for (let s = 0; s < n; s += size) for (let k = 0; k < size / 2; k++) {
    const turn = -2 * Math.PI * k / size, c = Math.cos(turn), d = Math.sin(turn);
    const a = s + k, b = a + size / 2, x = re[b] * c - im[b] * d, y = re[b] * d + im[b] * c;
    re[b] = re[a] - x; im[b] = im[a] - y; re[a] += x; im[a] += y;
  }
}

function drawSpectrum(canvas, buffer, width, height) {
  const g = sizeCanvas(canvas, width, height), sr = buffer.sampleRate, wave = buffer.getChannelData(0);
  const span = Math.min(wave.length, SPECTRUM_S * sr), n = 2 * SPECTRUM_BINS, cells = [];
  for (let c = 0; c < SPECTRUM_COLUMNS; c++) {
    const re = new Float64Array(n), im = new Float64Array(n), from = Math.round(c / SPECTRUM_COLUMNS * span - n / 4);
    for (let i = 0; i < n; i++) re[i] = (wave[from + i] ?? 0) * (.5 - .5 * Math.cos(2 * Math.PI * i / n));
    fft(re, im);
    for (let r = 0; r < SPECTRUM_ROWS; r++) {
      const edge = q => 40 * (16000 / 40) ** (q / SPECTRUM_ROWS) * n / sr;
      const lo = Math.floor(edge(r)), hi = Math.max(lo + 1, Math.ceil(edge(r + 1)));
      let sum = 0;
      for (let i = lo; i < hi && i < n / 2; i++) sum += re[i] ** 2 + im[i] ** 2;
      cells.push(10 * Math.log10(sum + 1e-12));
    }
  }
  const top = Math.max(...cells), ink = inkOf(canvas), cw = width / SPECTRUM_COLUMNS, ch = height / SPECTRUM_ROWS;
  g.clearRect(0, 0, width, height);
  g.fillStyle = ink;
  cells.forEach((db, k) => {
    const c = Math.floor(k / SPECTRUM_ROWS), r = k % SPECTRUM_ROWS, strength = 1 - (top - db) / SPECTRUM_FLOOR_DB;
    if (strength <= 0) return;
    g.globalAlpha = strength ** 1.4;
    g.fillRect(c * cw, height - (r + 1) * ch, cw + .4, ch + .4);
  });
  g.globalAlpha = 1;
}

function drawWave(canvas, buffer, width, height) {
  const g = sizeCanvas(canvas, width, height), wave = buffer.getChannelData(0), half = height / 2;
  let top = 1e-9;
  for (const v of wave) top = Math.max(top, Math.abs(v));
  g.clearRect(0, 0, width, height);
  g.fillStyle = accentOf(canvas);
  for (let x = 0; x < width; x++) {
    let lo = 0, hi = 0;
    const a = Math.floor(x / width * wave.length), b = Math.floor((x + 1) / width * wave.length);
    for (let i = a; i < b; i++) { lo = Math.min(lo, wave[i]); hi = Math.max(hi, wave[i]); }
    g.fillRect(x, half - hi / top * (half - 1), 1, Math.max(1, (hi - lo) / top * (half - 1)));
  }
}

function makeChosen(ask) {             // ask: {choose(id), assign(slot, id), role(id, role), sounding(id)}
  const box = el('section', { class: 'chosen', 'aria-label': 'The chosen hit' });
  const facts = el('div', { 'aria-label': 'Numbers of the chosen hit' });
  const p = { box, facts, id: null, shownFor: null };
  let ticket = 0, elsewhere = false;

  const numbers = row => {
    const v = row.numbers;
    return el('dl', { class: 'numbers' }, ...[
      ['length', seconds(v.length_s)], ['attack', seconds(v.attack_s)], ['falls 20 dB in', seconds(v.decay20_s)],
      ['brightness', hertz(v.centroid_hz)], ['body', v.body_hz ? `${hertz(v.body_hz)} (${row.body_note})` : '–'],
      ['loudness', decibels(v.loudness_lkfs, 'LKFS')], ['peak', decibels(v.peak_db, 'dBFS')],
      ['file', `${row.format}, ${row.channels === 1 ? 'mono' : row.channels === 2 ? 'stereo' : `${row.channels} channels`}`],
    ].map(([name, value]) => el('div', {}, el('dt', {}, name), el('dd', {}, value))));
  };

  const rowOf = (row, key) => el('li', {}, el('button', {
    class: 'row', type: 'button', 'data-id': row.id,
    onclick: () => engine.play(row), ondblclick: () => ask.choose(row.id),
    'aria-label': `${row.name}, ${row.why.join(', ')}. Enter plays, arrow right chooses it`,
  }, el('kbd', {}, key), outlineCanvas(row), el('span', { class: 'words' },
    el('span', { class: 'name', dir: 'auto' }, markIcon(row.role), row.name),
    el('span', { class: 'why' }, row.why.join(' · ') || 'hardly any difference'))),
  el('button', { class: 'go', type: 'button', onclick: () => ask.choose(row.id), title: 'Choose this hit',
    'aria-label': `Choose ${row.name}` }, '→'));

  const listOf = (title, hint, rows, keys) => el('div', { class: 'list' },
    el('h3', {}, title, el('small', {}, hint)),
    rows.length ? el('ol', {}, ...rows.slice(0, FEW).map((row, k) => rowOf(row, keys[k])))
      : el('p', { class: 'none' }, 'None in the catalog.'),
    rows.length > FEW ? el('button', { type: 'button', class: 'more', onclick: event => {
      event.target.replaceWith(el('ol', {}, ...rows.slice(FEW).map((row, k) => rowOf(row, keys[FEW + k]))));
      fillOutlines(box);
    } }, `${rows.length - FEW} more`) : null);

  const fill = (row, near) => {
    const words = WORDS;
    const wave = el('canvas', { 'aria-hidden': 'true' }), spectrum = el('canvas', { 'aria-hidden': 'true' });
    const slots = el('select', { 'aria-label': 'Place in the kit' },
      ...Object.entries(words.slots).map(([slot, label]) => el('option', { value: slot }, label)));
    slots.value = words.slot_of[row.role] ?? slots.options[0]?.value ?? '';
    const roles = el('select', { onchange: () => ask.role(row.id, roles.value) },
      ...Object.entries(words.roles).map(([role, label]) => el('option', { value: role }, label)));
    roles.value = row.role;
    const toggle = el('input', { type: 'checkbox', checked: elsewhere,
      onchange: event => { elsewhere = event.target.checked; p.show(p.id, true); } });
    box.replaceChildren(
      el('h2', { dir: 'auto' }, markIcon(row.role), row.name),
      el('p', { class: 'origin', dir: 'auto' }, originOf(row) || 'origin unknown'),
      el('div', { class: 'pictures' }, wave, spectrum,
        el('span', { class: 'axis' }, `above: the wave; below: 40 Hz to 16 kHz, first ${Math.round(SPECTRUM_S * 1000)} ms`)),
      el('div', { class: 'deeds' },
        el('button', { type: 'button', class: 'main', onclick: () => engine.play(row) }, 'Play'),
        el('span', { class: 'together' }, slots,
          el('button', { type: 'button', onclick: () => ask.assign(slots.value, row.id) }, 'Put in kit'))),
      el('label', { class: 'role' }, `Role, ${SAID[row.said_by] ?? 'guessed'}`
        + `${row.said_by === 'user' ? '' : `, ${Math.round(100 * row.sure)} % sure`}: `, roles),
      listOf('Alternates', 'most likely strokes of the same drum', near.alternates, '1234567890'),
      el('div', { class: 'between' }),
      listOf('Similar', 'wherever they come from', near.similar, 'qwertyuiop'));
    facts.replaceChildren(numbers(row));
    box.querySelector('.between').append(el('label', { class: 'tick' }, toggle, 'below: other sessions only'));
    p.rows = { alternates: near.alternates, similar: near.similar, self: row };
    const width = Math.max(120, box.clientWidth - 26);
    engine.load(row).then(buffer => {
      if (p.id !== row.id) return;
      drawWave(wave, buffer, width, 64); drawSpectrum(spectrum, buffer, width, 72);
    }).catch(err => box.querySelector('.axis').replaceChildren(err.message));
    fillOutlines(box);
    engine.prefetch([...near.alternates, ...near.similar]);
    p.shownFor = row.id;
    p.shownAt = performance.now();
  };

  p.show = async (id, again = false) => {
    if (id === p.id && !again) return;
    p.id = id;
    const mine = ++ticket;
    if (id === null || id === undefined) { p.empty(); return; }
    const get = path => fetch(path).then(answer => answer.ok ? answer.json()
      : answer.text().then(text => { throw new Error(text); }));
    try {
      // the sound goes first: the lists wait until its bytes are here, but not for long
      await Promise.race([ask.sounding(id), new Promise(done => setTimeout(done, SOUND_FIRST_MS))]);
      if (mine !== ticket) return;
      const [row, near] = await Promise.all([get(`/api/about/${id}`), get(`/api/near/${id}?elsewhere=${elsewhere ? 1 : 0}`)]);
      if (mine === ticket) fill(row, near);
    } catch (err) {
      if (mine === ticket) box.replaceChildren(el('p', { class: 'none' }, `This hit cannot be shown: ${err.message}`));
    }
  };
  p.empty = () => {
    facts.replaceChildren();
    box.replaceChildren(el('h2', {}, 'Choose a hit'), el('p', { class: 'none' },
      'Rest the pointer on a mark to hear it, click to choose it. With the map in focus, arrow keys walk '
      + 'from hit to hit and space repeats. What is like the chosen hit is listed here.'));
  };
  // Digits play the alternates, the letters below them the similar hits, a full stop the chosen one.
  p.key = event => {
    if (!p.rows) return false;
    const digit = '1234567890'.indexOf(event.key), letter = 'qwertyuiop'.indexOf(event.key);
    const row = digit >= 0 ? p.rows.alternates[digit] : letter >= 0 ? p.rows.similar[letter]
      : event.key === '.' ? p.rows.self : null;
    if (row) { ownKey(event); engine.play(row); return true; }
    const at = event.target.closest?.('.row');
    if (at && event.key === 'ArrowRight') { ownKey(event); ask.choose(Number(at.dataset.id)); return true; }
    if (at && (event.key === 'ArrowDown' || event.key === 'ArrowUp')) {
      ownKey(event);
      const all = [...box.querySelectorAll('.row')], next = all[all.indexOf(at) + (event.key === 'ArrowDown' ? 1 : -1)];
      if (next) { next.focus(); next.click(); }
      return true;
    }
    return false;
  };
  p.empty();
  return p;
}
