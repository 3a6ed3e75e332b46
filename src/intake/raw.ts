// A recording as it is: the file's own bytes, read into one buffer (twice to ten times as fast as a read stream).
import type { CaptureFormat } from './capture-parser.js';
import { type FileSource, openFileSource, readRange } from './file-source.js';
import { type Intake, newBytes, type Part, readOpened } from './part.js';

/** The part that is the file `file` itself, read to where it ends then, grown or not. */
export function rawPart(file: string, source: FileSource, capture: CaptureFormat | undefined, intake: Intake): Part {
  return {
    name: file,
    archive: undefined,
    container: 'raw',
    capture,
    storedBytes: source.size,
    size: source.size,
    // What a test reads from elsewhere does not lie there.
    ...(intake.open === openFileSource && { plainFile: file }),
    read: (buffer, onRead) =>
      readOpened(intake.open, file, (opened) =>
        readRange(opened, file, 0, Number.POSITIVE_INFINITY, buffer, newBytes(0, onRead)),
      ),
  };
}
