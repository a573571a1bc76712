import assert from 'node:assert/strict';
import test from 'node:test';
import { splitName } from '../modules/shared/format.js';

test('a long name keeps its end, and one whose letters join is not split', () => {
  assert.deepEqual(splitName('SN brass towel soft 12'), ['SN brass towel s', 'oft 12']);
  for (const name of ['Snare_01', 'طبل كبير مفتوح ناعم', 'Cre\u0301celle grave sourde']) {
    assert.deepEqual(splitName(name), [name, '']);
  }
});
