// Chunks joined into a recording: one run of blocks whose positions go on from file to file, and the way back from a position.
import path from 'node:path';
import { giveBlock, takeBlock } from '../bytes/fast-memory.js';
import type { Intake, Part } from './part.js';
import type { Block, Recording } from './source.js';
import { printable } from './station-name.js';
import { readUtcStamp } from './utc-stamp.js';

const MAX_PATH = 4096;

/** Starts of the parts in the recording, as far as their sizes are known. */
const knownStarts = (parts: readonly Part[]): number[] => {
  const starts = [0];
  for (const { size } of parts.slice(0, -1)) {
    if (size === undefined) break;
    starts.push(starts.at(-1)! + size);
  }
  return starts;
};

/** What a recording is called that consists of `parts`, one or more. */
export function recordingName(parts: readonly { readonly name: string }[]): string {
  const first = parts[0]!;
  const last = parts.at(-1)!;
  return printable(first === last ? first.name : `${first.name} to ${path.basename(last.name)}`, MAX_PATH);
}

/** Whether `name` is what a recording may be called whose first part is called `first`, both without their folders. */
export function isNameOf(name: string, first: string): boolean {
  return name === printable(first, MAX_PATH) || name.startsWith(`${printable(first, MAX_PATH)} to `);
}

/**
 * Joins `parts`, one or more, into a recording.
 *
 * @param isOnlyOne the archive of the parts holds no other recording, so that a time in its name is the recording's
 */
export function joinParts(station: string, parts: readonly Part[], isOnlyOne: boolean, intake: Intake): Recording {
  const first = parts[0]!;
  const archiveStamp = isOnlyOne && first.archive ? readUtcStamp(path.basename(first.archive)) : undefined;
  const starts = knownStarts(parts);

  async function* blocks(): AsyncGenerator<Block, void, undefined> {
    const buffer = takeBlock(intake.blockBytes);
    try {
      let at = 0;
      for (const [i, part] of parts.entries()) {
        starts[i] = at;
        for await (const bytes of part.read(buffer, intake.onRead)) {
          yield { bytes, at };
          at += bytes.length;
        }
      }
    } finally {
      giveBlock(buffer);
    }
  }

  const files = parts.flatMap(({ plainFile }) => plainFile ?? []);
  return {
    station,
    name: recordingName(parts),
    container: first.container,
    storedBytes: parts.reduce((sum, part) => sum + part.storedBytes, 0),
    startedAt: readUtcStamp(path.basename(first.name)) ?? archiveStamp,
    blocks,
    ...(files.length === parts.length && { plain: { files, onRead: intake.onRead } }),
    locate: (at) => {
      // The last part that begins at or before `at`; empty ones in between hold nothing.
      const index = starts.findLastIndex((start) => start <= at);
      return { file: printable(parts[index]!.name, MAX_PATH), offset: at - starts[index]! };
    },
  };
}
