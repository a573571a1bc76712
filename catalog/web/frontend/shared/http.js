// Requests to the page's own server; a failed one throws an Error with the server's own words, and one about
// a state that the server no longer has (204) the Error OUTDATED.

export const OUTDATED = 'outdated; the page reads the hits again';

export async function fetchOk(path, options) {
  const response = await fetch(path, options);
  if (!response.ok) throw new Error(await response.text());
  if (response.status === 204) throw new Error(OUTDATED);
  return response;
}

export const fetchJson = async (path, options) => (await fetchOk(path, options)).json();
export const fetchBytes = async path => (await fetchOk(path)).arrayBuffer();
