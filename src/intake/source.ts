// What the intake hands to the layers: recordings, each a stream of byte blocks, whatever container they came in.

/** One block of a recording. `bytes` is reused: it holds until the next block is asked for. */
export type Block = {
  readonly bytes: Uint8Array;
  /** Offset of `bytes[0]` in the recording's own bytes (containers undone, chunks joined). */
  readonly at: number;
};

export type Container = 'raw' | 'gzip' | 'zip';

/** What one station's recorder wrote in one go; several chunk files of one recorder make one recording. */
export type Recording = {
  readonly station: string;
  /** As shown to the user: the path as given, or archive and entry. */
  readonly name: string;
  readonly container: Container;
  /** Bytes on disk, for progress; of the container, not of what is in it. */
  readonly storedBytes: number;
  /** Milliseconds since 1970 UTC when the recorder began, where the file name says so. */
  readonly startedAt: number | undefined;
  /**
   * The bytes, in order. May be called more than once; each call reads from the start.
   *
   * @throws RecordingError when it cannot be read on; every block before that was good
   */
  blocks(): AsyncIterable<Block>;
  /** Where byte `at` of the recording lies, for messages: file (or archive entry) and offset in it. */
  locate(at: number): { readonly file: string; readonly offset: number };
};
