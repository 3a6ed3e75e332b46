// What the reader of an estimate must know to judge its numbers.
import type { Carousel } from './carousel-cycle.js';
import type { Rotation } from './rotation.js';

/** What the reader must know to judge the numbers. */
export function notesOn(
  input: { readonly files: readonly unknown[]; readonly frameSeconds?: number; readonly rotationSeconds?: number },
  rotation: Rotation | null,
  carousel: Carousel,
): string[] {
  const notes: string[] = [];
  if (!rotation) {
    notes.push(
      'No rotation shows in what was received, so every sending is taken to have the same chance, and repeats are counted in all instead of per rotation.',
    );
  } else {
    const views = Math.max(0, ...[...rotation.views.values()].map(({ length }) => length));
    if (views < 2)
      notes.push('Only one rotation was heard: how far rotations differ is assumed, and the intervals are wide.');
    else if (views < 4) notes.push(`Only ${views} rotations were heard by any one station: the intervals are wide.`);
    notes.push('It is taken that every station listens in every rotation, and hears it as it heard those recorded.');
  }
  const { rotationSeconds, frameSeconds } = input;
  if (rotation?.periodInterval && rotationSeconds !== undefined && frameSeconds !== undefined) {
    const [low, high] = rotation.periodInterval.map((end) => end * frameSeconds) as [number, number];
    if (rotationSeconds < low || rotationSeconds > high) {
      notes.push(
        `The mission file says that a rotation takes ${rotationSeconds} s, which the receptions do not bear out.`,
      );
    }
  }
  if (frameSeconds === undefined) {
    notes.push('The rate is not known, so times are counted in transmissions.');
  }
  if (!carousel.observed && input.files.length > 0) {
    notes.push(
      'No file was heard twice at the same place of the carousel: its length is taken as the sum of the known files.',
    );
  }
  return notes;
}
