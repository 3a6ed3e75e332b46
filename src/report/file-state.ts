// The four states of a file in words and signs, and the order in which reports list files: what needs a look comes first.
import type { FileState } from './page-document.js';

/** From the one that needs a look most to the one that needs none. */
export const fileStates: readonly FileState[] = ['disputed', 'partial', 'unproven', 'whole'];

export const stateSign: Readonly<Record<FileState, string>> = {
  whole: '✓',
  unproven: '○',
  partial: '◐',
  disputed: '≠',
};

export const stateMeaning: Readonly<Record<FileState, string>> = {
  whole: 'every segment arrived and the checksum agrees.',
  unproven: 'every segment arrived, but no checksum is known, so nothing proves the content.',
  partial: 'segments are missing; no station received them.',
  disputed: 'every segment arrived, but the checksum disagrees, or copies that differ all have a valid CRC.',
};

/** A new array: disputed, partial, unproven, whole; within a state in the order given. */
export function filesByNeed<File extends { readonly state: FileState }>(files: readonly File[]): File[] {
  return fileStates.flatMap((state) => files.filter((file) => file.state === state));
}
