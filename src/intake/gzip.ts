// Recordings packed with gzip: one member or several behind each other, zeros between and behind them allowed. A member that was
// cut off or is damaged yields all that inflates. Standard: RFC 1952; the zeros are common practice (tapes, disk images).
import { RecordingError } from '../errors.js';
import { type FileSource, readRange } from './file-source.js';
import { type InflateLimits, type InflateTrouble, inflate } from './inflate.js';
import { captureInside, type Intake, newBytes, type Part, readOpened } from './part.js';

/**
 * Undoes gzip.
 *
 * @param input opens the packed bytes from their start; may be called again
 * @param file for messages, whose positions are those of the packed bytes
 * @throws RecordingError `gzip-damaged`, `archive-too-large`, and what `input` throws
 */
export function gunzip(
  input: () => AsyncIterable<Uint8Array>,
  file: string,
  limits: InflateLimits,
): AsyncGenerator<Uint8Array, void, undefined> {
  return inflate(input, 'gzip', limits, ({ reason, at, detail }: InflateTrouble) => {
    if (reason === 'too-large') {
      return new RecordingError('archive-too-large', file, at, `${detail}; unpack it and hand in the file`);
    }
    const what =
      reason === 'cut'
        ? 'the gzip data end in the middle; the file was probably cut off here'
        : `expected gzip data, found bytes that do not fit (${detail})`;
    return new RecordingError(
      'gzip-damaged',
      file,
      at,
      `${what}; what came before is used, copy it again for the rest`,
    );
  });
}

/** The part that is inside the gzip file `file`. */
export async function gzipPart(file: string, source: FileSource, intake: Intake): Promise<Part> {
  const beginning = (): AsyncGenerator<Uint8Array, void, undefined> =>
    readRange(source, file, 0, Number.POSITIVE_INFINITY, new Uint8Array(4096));
  return {
    name: file,
    archive: undefined,
    container: 'gzip',
    capture: await captureInside(gunzip(beginning, file, intake.limits)),
    storedBytes: source.size,
    size: undefined,
    read: (buffer, onRead) =>
      readOpened(intake.open, file, (opened) => {
        const progress = newBytes(0, onRead);
        return gunzip(
          () => readRange(opened, file, 0, Number.POSITIVE_INFINITY, buffer, progress),
          file,
          intake.limits,
        );
      }),
  };
}
