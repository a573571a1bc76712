// All that Streamlit carries: the rest comes once, by an address that changes with its content.
// The address is made whole because this script itself is run from a blob, which has no folder.
const ready = import(new URL('SCRIPT_ADDRESS', document.baseURI).href);

export default function (c) {
  let end = null, ended = false;
  ready.then(module => { if (!ended) end = module.default(c); });
  return () => { ended = true; end?.(); };
}
