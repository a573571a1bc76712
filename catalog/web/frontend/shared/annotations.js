// What a person says of hits: told to the server at once, and taken back step by step.

const SAID_STEPS = [];                 // {step, text}, the newest last
const SAID_AGAIN = [];                 // what was taken back, to be said once more
const SAID_HEARD = new Set();          // told of each change: ([[id, role, mark], ...], text)

let saidLast = Promise.resolve();      // one thing after the other, as the person said them
const inTurn = work => (saidLast = saidLast.catch(() => {}).then(work));

async function askSaid(path, body) {
  const answer = await fetch(`/api/${path}`, { method: 'POST', body: body && JSON.stringify(body) });
  if (!answer.ok) throw new Error(await answer.text());
  return answer.json();
}

// what: {mark, role, add, drop, remark}, any of them; text says it for "Take back: ..."
const say = (ids, what, text) => inTurn(async () => {
  const told = await askSaid('say', { ids, ...what });
  SAID_STEPS.push({ step: told.step, text });
  SAID_AGAIN.length = 0;
  SAID_HEARD.forEach(hear => hear(told.changed, text));
  return told.changed;
});

const moveSaid = (from, to, words) => inTurn(async () => {
  const last = from.at(-1);
  if (!last) return null;
  const told = await askSaid(`unsay/${last.step}`);
  from.pop();
  to.push({ step: told.step, text: last.text });
  SAID_HEARD.forEach(hear => hear(told.changed, `${words}: ${last.text}`));
  return last.text;
});
const unsay = () => moveSaid(SAID_STEPS, SAID_AGAIN, 'Taken back');
const sayAgain = () => moveSaid(SAID_AGAIN, SAID_STEPS, 'Said again');

export { SAID_STEPS, SAID_HEARD, say, unsay, sayAgain };
