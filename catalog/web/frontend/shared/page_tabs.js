// Streamlit disables the tabs of the page for a moment in each run. The browser then removes the
// focus from the chosen tab, and keys and clicks have no effect. They take effect after it here.
// A run that was requested for one tab may also end after the user has chosen the next one, and then
// it selects its own tab again. The tab that the user chose last is selected once more.

const KEYS = ['ArrowLeft', 'ArrowRight', 'Home', 'End'];   // that choose another tab

const MAX_RETURNS = 5;                 // to the tab that the user chose, after one choice

const isDisabled = tab => tab.getAttribute('aria-disabled') === 'true';

function whenEnabled(tab, act) {       // all tabs, because an arrow key passes over a disabled one
  const list = tab.closest('[role=tablist]');
  if (!list) return;
  const observer = new MutationObserver(() => {
    if ([...list.querySelectorAll('[role=tab]')].some(isDisabled)) return;
    observer.disconnect();
    if (tab.isConnected) act();
  });
  observer.observe(list, { subtree: true, attributes: true, attributeFilter: ['aria-disabled'] });
}

function keepFocus(tab) {              // of a tab that has lost it because it was disabled
  const keys = [];
  const note = event => {
    if (event.target === document.body && KEYS.includes(event.key)) keys.push(event.key);
  };
  addEventListener('keydown', note, true);
  whenEnabled(tab, () => {
    removeEventListener('keydown', note, true);
    if (document.activeElement !== document.body) return;   // the focus was moved meanwhile
    tab.focus();
    keys.forEach(key => document.activeElement.dispatchEvent(
      new KeyboardEvent('keydown', { key, bubbles: true, cancelable: true })));
  });
}

function returnToChoice() {
  let chosen = null, nReturns = 0;
  const choose = tab => { chosen = tab.textContent; nReturns = 0; };
  const goBack = () => {
    const tabs = [...document.querySelectorAll('[role=tab]')];
    const tab = tabs.find(other => other.textContent === chosen);
    if (!tab || tab.getAttribute('aria-selected') === 'true' || nReturns >= MAX_RETURNS) return;
    if (tabs.some(isDisabled)) { whenEnabled(tab, goBack); return; }
    nReturns += 1;
    tab.click();
  };
  const findTab = ({ target, isTrusted }) => isTrusted && target.closest?.('[role=tab]');
  for (const kind of ['focusin', 'click'])
    document.addEventListener(kind, event => { const tab = findTab(event); if (tab) choose(tab); }, true);
  new MutationObserver(() => { if (chosen) requestAnimationFrame(goBack); })
    .observe(document.body, { subtree: true, attributes: true, attributeFilter: ['aria-selected'] });
}

export function keepTabPresses() {
  returnToChoice();
  document.addEventListener('focusout', ({ target, relatedTarget }) => {
    if (relatedTarget || target.getAttribute('role') !== 'tab') return;
    // The focus can be lost just before the attribute changes.
    queueMicrotask(() => { if (isDisabled(target)) keepFocus(target); });
  });
  document.addEventListener('pointerdown', ({ target }) => {
    const tab = target.closest?.('[role=tab]');
    if (tab && isDisabled(tab)) whenEnabled(tab, () => { tab.focus(); tab.click(); });
  }, true);
}
