// Canvases in device pixels, and the page's colors for drawing on them.

import { THEME } from '../constants.js';

export const pixelRatio = () => Math.min(2, window.devicePixelRatio || 1);

// Set the size in CSS pixels and return the context, scaled so that it draws in CSS pixels.
export function sizeCanvas(canvas, width, height) {
  const ratio = pixelRatio();
  canvas.width = Math.max(1, Math.round(width * ratio));
  canvas.height = Math.max(1, Math.round(height * ratio));
  canvas.style.width = `${width}px`;
  canvas.style.height = `${height}px`;
  const context = canvas.getContext('2d');
  context.setTransform(ratio, 0, 0, ratio, 0, 0);
  return context;
}

const cssVariable = (node, name) => getComputedStyle(node).getPropertyValue(name).trim();

export const textColor = node => cssVariable(node, '--ink') || '#333';
export const accentColor = node => cssVariable(node, '--accent') || THEME.light.accent;
export const softColor = node => cssVariable(node, '--soft');
