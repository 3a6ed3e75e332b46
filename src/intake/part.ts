// A part is one file or one archive entry. The containers give parts; `join-parts.ts` makes recordings of them.
import { RecordingError } from '../errors.js';
import type { CaptureFormat } from './capture-parser.js';
import { type FileSource, type OpenFile, openOrFail } from './file-source.js';
import type { InflateLimits } from './inflate.js';
import { captureFormat, HEAD_BYTES } from './recognise.js';
import type { Container } from './source.js';

export type IntakeLimits = InflateLimits & {
  /** Entries of one archive. */
  readonly entries: number;
  /** Flows of one capture: those with the most bytes. */
  readonly flows: number;
};

/** What all of the intake works with. */
export type Intake = {
  readonly open: OpenFile;
  readonly blockBytes: number;
  readonly limits: IntakeLimits;
  readonly onRead: ((storedBytes: number) => void) | undefined;
};

export type Part = {
  /** The path as the user gave it, or archive and entry with `/` between them. */
  readonly name: string;
  /** The archive that it lies in, if any. */
  readonly archive: string | undefined;
  readonly container: Container;
  /** What its bytes are when they are packets, the containers undone. */
  readonly capture: CaptureFormat | undefined;
  /** Bytes on disk. */
  readonly storedBytes: number;
  /** The file that it is, just as it lies there. */
  readonly plainFile?: string;
  /** Bytes with the containers undone, where that is known beforehand. */
  readonly size: number | undefined;
  /**
   * The bytes from the start, in views of `buffer` or in blocks of the part's own: each holds until the next is asked for.
   *
   * @param onRead told how many more bytes were read from the disk
   * @throws RecordingError
   */
  read(buffer: Uint8Array, onRead?: (storedBytes: number) => void): AsyncIterable<Uint8Array>;
};

/** What was found at one path. */
export type Opened = {
  readonly parts: Part[];
  readonly problems: RecordingError[];
};

/**
 * The first bytes of `blocks`, in memory of their own. An error ends them; it is thrown only where nothing came before it,
 * otherwise whoever reads on meets it again.
 *
 * @throws RecordingError
 */
export async function readHead(blocks: AsyncIterable<Uint8Array>): Promise<Buffer> {
  const head: number[] = [];
  try {
    for await (const block of blocks) {
      head.push(...block.subarray(0, HEAD_BYTES - head.length));
      if (head.length === HEAD_BYTES) break;
    }
  } catch (error) {
    if (!(error instanceof RecordingError) || head.length === 0) throw error;
  }
  return Buffer.from(head);
}

/**
 * Which capture format is inside `blocks`; where they are damaged, whoever reads on meets the error again.
 *
 * @throws RecordingError `unreadable`
 */
export async function captureInside(blocks: AsyncIterable<Uint8Array>): Promise<CaptureFormat | undefined> {
  try {
    return captureFormat(await readHead(blocks));
  } catch (error) {
    if (error instanceof RecordingError && error.code !== 'unreadable') return undefined;
    throw error;
  }
}

/** Turns the positions of a file, some passed twice, into the bytes newly read. */
export function newBytes(
  start: number,
  onRead: ((storedBytes: number) => void) | undefined,
): (position: number) => void {
  let furthest = start;
  return (position) => {
    if (position <= furthest) return;
    onRead?.(position - furthest);
    furthest = position;
  };
}

/**
 * Opens `file` for the time of one reading.
 *
 * @throws RecordingError
 */
export async function* readOpened(
  open: OpenFile,
  file: string,
  read: (source: FileSource) => AsyncIterable<Uint8Array>,
): AsyncGenerator<Uint8Array, void, undefined> {
  const source = await openOrFail(open, file);
  try {
    yield* read(source);
  } finally {
    await source.close();
  }
}
