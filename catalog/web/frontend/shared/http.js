// Requests to the page's own server; a failed one throws an Error with the server's own words.

export async function fetchOk(path, options) {
  const response = await fetch(path, options);
  if (!response.ok) throw new Error(await response.text());
  return response;
}

export const fetchJson = async (path, options) => (await fetchOk(path, options)).json();
export const fetchBytes = async path => (await fetchOk(path)).arrayBuffer();
