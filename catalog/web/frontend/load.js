// The only script that Streamlit sends: it loads the modules, whose URLs change with their content.
// All are requested at once, because the browser would find deeper imports only step by step.
// Addresses are made absolute because this script itself is run from a blob, which has no folder.
const addresses = MODULE_ADDRESSES.map(path => new URL(path, document.baseURI).href);
document.head.append(...addresses.map(href => Object.assign(document.createElement('link'),
  { rel: 'modulepreload', href })));
const ready = import(addresses[0]);    // the entry

export default function (c) {
  let end = null, ended = false;
  ready.then(module => { if (!ended) end = module.default(c); });
  return () => { ended = true; end?.(); };
}
