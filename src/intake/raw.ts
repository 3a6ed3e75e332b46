// A recording as it is: the file's own bytes, read into one buffer (twice to ten times as fast as a read stream).
import type { CaptureFormat } from './capture-parser.js';
import { type FileSource, readRange } from './file-source.js';
import { type Intake, newBytes, type Part, readOpened } from './part.js';
import type { BlockRoom } from './source.js';

/** The part that is the file `file` itself, read to where it ends then, grown or not. */
export function rawPart(file: string, source: FileSource, capture: CaptureFormat | undefined, intake: Intake): Part {
  const read = (into: Uint8Array | BlockRoom, onRead?: (storedBytes: number) => void): AsyncIterable<Uint8Array> =>
    readOpened(intake.open, file, (opened) =>
      readRange(opened, file, 0, Number.POSITIVE_INFINITY, into, newBytes(0, onRead)),
    );
  return {
    name: file,
    archive: undefined,
    container: 'raw',
    capture,
    storedBytes: source.size,
    size: source.size,
    read,
    readInto: read,
  };
}
