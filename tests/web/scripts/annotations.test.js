// The words for the hits whose estimated roles followed one that was set.

import assert from 'node:assert/strict';
import test from 'node:test';

import { ROLES, ROLE_LABELS } from '../modules/constants.js';
import { followedText } from '../modules/shared/annotations.js';

const [clap, wood] = ['clap', 'wood'].map(role => ROLES.indexOf(role));

test('hits that followed are counted by their new role', () => {
  assert.equal(followedText([]), '');
  assert.equal(followedText([[3, clap], [5, wood], [6, clap]]),
    `; 2 more hits are now ${ROLE_LABELS.clap}; 1 more hit is now ${ROLE_LABELS.wood}`);
});
