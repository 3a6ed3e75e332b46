// What the intake hands to the layers: recordings, each a stream of byte blocks, whatever container they came in.

/** One block of a recording. `bytes` is reused: it holds until the next block is asked for. */
export type Block = {
  readonly bytes: Uint8Array;
  /** Offset of `bytes[0]` in the recording's own bytes (containers undone, chunks joined). */
  readonly at: number;
  /** Bytes were lost just before this block (of a capture: packets): what is half received cannot be continued. */
  readonly gap?: true;
  /** Of a capture, where it tells: when the first packet of this block came, ms since 1970 UTC. Blocks span a second at most. */
  readonly receivedAt?: number;
};

/** Files whose bytes, one after the other, are those of a recording. */
export type PlainFiles = {
  readonly files: readonly string[];
  /** To be told how many more bytes were read. */
  readonly onRead: ((storedBytes: number) => void) | undefined;
};

export type Container = 'raw' | 'gzip' | 'zip' | 'capture';

/**
 * What one station's recorder wrote in one go; several chunk files of one recorder make one recording. A packet capture holds
 * flows, and each is a recording of its own: its bytes are the payloads of its datagrams, one after the other.
 */
export type Recording = {
  readonly station: string;
  /** As shown to the user: the path as given, or archive and entry. */
  readonly name: string;
  readonly container: Container;
  /** Bytes on disk, for progress; of the container, not of what is in it. */
  readonly storedBytes: number;
  /** Milliseconds since 1970 UTC when the recorder began, where the file name says so; of a flow, when its first packet came. */
  readonly startedAt: number | undefined;
  /**
   * The bytes, in order. May be called more than once; each call reads from the start.
   *
   * @throws RecordingError when it cannot be read on; every block before that was good
   */
  blocks(): AsyncIterable<Block>;
  /** Present where the bytes need not be unpacked and lie on a disk: whoever likes may read them there. */
  readonly plain?: PlainFiles;
  /** Where byte `at` of the recording lies, for messages: file (or archive entry) and offset in it; of a flow, just its name. */
  locate(at: number): { readonly file: string; readonly offset: number };
  /** Of a capture: what its last reading met, named numbers as those of the layers. */
  counts?(): Readonly<Record<string, number>>;
};
