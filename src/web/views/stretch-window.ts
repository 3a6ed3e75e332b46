// The part of a line that is shown: what zooming, moving and dragging do to it. Whole numbers, half open, never outside the line.

/** `[start, end)` of a line of `length`; `end - start` is at least `narrowest`. */
export type StretchWindow = { readonly start: number; readonly end: number };

export const wholeLine = (length: number): StretchWindow => ({ start: 0, end: length });

/** The nearest window there can be: inside the line, at least `narrowest` long, whole numbers. */
export function fitWindow(start: number, end: number, length: number, narrowest = 1): StretchWindow {
  const size = Math.min(length, Math.max(Math.min(narrowest, length), Math.round(end - start)));
  const from = Math.min(length - size, Math.max(0, Math.round(start)));
  return { start: from, end: from + size };
}

/**
 * @param factor below 1 = closer
 * @param at what stays where it is, 0 = left end of the window, 1 = right end
 */
export function zoomWindow(
  { start, end }: StretchWindow,
  factor: number,
  at: number,
  length: number,
  narrowest = 1,
): StretchWindow {
  const size = Math.min(length, Math.max(narrowest, (end - start) * factor));
  const fixed = start + (end - start) * at;
  return fitWindow(fixed - size * at, fixed - size * at + size, length, narrowest);
}

/** @param share of the window's length, below 0 = to the left */
export function moveWindow({ start, end }: StretchWindow, share: number, length: number): StretchWindow {
  const step = Math.sign(share) * Math.max(1, Math.round(Math.abs(share) * (end - start)));
  return fitWindow(start + step, end + step, length, end - start);
}
