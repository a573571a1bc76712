// The slots for which the catalog has hits, and how many.

import { ROLES, SLOT_LABELS, SLOT_ROLES } from '../constants.js';

export function fillableSlots(columns) {
  const roles = new Set(columns ? columns.points.role : []);
  return Object.keys(SLOT_LABELS).filter(slot =>
    SLOT_ROLES[slot].some(role => roles.has(ROLES.indexOf(role))));
}

// How many hits have a role that the slot takes.
export function countFor(columns, slot) {
  const wanted = new Set(SLOT_ROLES[slot].map(role => ROLES.indexOf(role)));
  return columns ? columns.points.role.reduce((sum, role) => sum + wanted.has(role), 0) : 0;
}
