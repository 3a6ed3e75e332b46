// Reading bytes of a file at a position. The interface is small so that tests can slow, cut and break it; everything below
// `intake/` that touches a recording's bytes goes through it. Reads go into a buffer that is used again and again.
import { open } from 'node:fs/promises';
import { RecordingError } from '../errors.js';

export type FileSource = {
  /** Bytes, when it was opened. */
  readonly size: number;
  /** Reads up to `into.length` bytes from position `at` on; gives how many came, 0 at the end of the file. */
  read(into: Uint8Array, at: number): Promise<number>;
  close(): Promise<void>;
};

export type OpenFile = (path: string) => Promise<FileSource>;

/** Told of the position up to which a file has been read. */
export type Progress = (position: number) => void;

/** Opens a file of the file system. Errors are those of Node. */
export const openFileSource: OpenFile = async (path) => {
  const handle = await open(path, 'r');
  try {
    const { size } = await handle.stat();
    return {
      size,
      read: async (into, at) => (into.length === 0 ? 0 : (await handle.read(into, 0, into.length, at)).bytesRead),
      close: () => handle.close(),
    };
  } catch (error) {
    await handle.close();
    throw error;
  }
};

/** Turns what the file system threw into the error of this recording; a RecordingError stays as it is. */
export function readFailure(file: string, offset: number | undefined, error: unknown): RecordingError {
  if (error instanceof RecordingError) return error;
  const code = (error as NodeJS.ErrnoException | null)?.code;
  if (code === 'ENOENT' || code === 'ENOTDIR') {
    return new RecordingError('not-found', file, offset, 'there is no such file or folder; check the path');
  }
  if (code === 'EACCES' || code === 'EPERM') {
    return new RecordingError(
      'unreadable',
      file,
      offset,
      'no permission to read it; change its permissions or copy it',
    );
  }
  const reason = code ?? (error instanceof Error ? error.message : String(error));
  return new RecordingError('unreadable', file, offset, `reading failed (${reason}); check the disk or copy it again`);
}

/**
 * Opens `file`.
 *
 * @throws RecordingError `not-found`, `unreadable`
 */
export async function openOrFail(open: OpenFile, file: string): Promise<FileSource> {
  try {
    return await open(file);
  } catch (error) {
    throw readFailure(file, undefined, error);
  }
}

/**
 * Reads into `into` from position `at` on; gives how many bytes came, 0 at the end of the file.
 *
 * @throws RecordingError `unreadable`, with the position
 */
export function readInto(source: FileSource, file: string, into: Uint8Array, at: number): Promise<number> {
  return source.read(into, at).catch((error: unknown) => {
    throw readFailure(file, at, error);
  });
}

/**
 * Up to `length` bytes at `at`, in memory of their own; fewer only at the end of the file.
 *
 * @throws RecordingError `unreadable`
 */
export async function readAt(source: FileSource, file: string, at: number, length: number): Promise<Buffer> {
  const bytes = Buffer.alloc(length);
  let filled = 0;
  while (filled < length) {
    const count = await readInto(source, file, bytes.subarray(filled), at + filled);
    if (count === 0) break;
    filled += count;
  }
  return bytes.subarray(0, filled);
}

/**
 * The bytes `[start, end)` of a file, as far as there are any, in views of `buffer`: each holds until the next is asked for.
 *
 * @param end exclusive; may be Infinity
 * @throws RecordingError `unreadable`, with the position of the read that failed
 */
export async function* readRange(
  source: FileSource,
  file: string,
  start: number,
  end: number,
  buffer: Uint8Array,
  progress?: Progress,
): AsyncGenerator<Uint8Array, void, undefined> {
  for (let at = start; at < end; ) {
    const wanted = Math.min(buffer.length, end - at);
    const count = await readInto(source, file, buffer.subarray(0, wanted), at);
    if (count === 0) return;
    at += count;
    progress?.(at);
    yield buffer.subarray(0, count);
  }
}
