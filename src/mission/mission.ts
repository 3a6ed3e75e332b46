// The mission as the rest of the program sees it: the validated, typed form of a mission file.
import type { CrcParameters } from '../bytes/crc-catalogue.js';

/** A field of the mission's own frame: `bits` wide, most significant bit at byte `at`, bit `bit` (0 = most significant). */
export type FrameField = {
  readonly at: number;
  readonly bit: number;
  /** 1 to 48. */
  readonly bits: number;
  /** `little` only for whole bytes starting at bit 0. */
  readonly endian: 'big' | 'little';
};

/** The mission's own frame. Offsets count bytes from the first byte of the marker. */
export type FrameLayout = {
  /** Empty when frames have none: they then start where the layer below starts a packet. */
  readonly marker: Uint8Array;
  /** Bytes, marker to CRC. */
  readonly length: number;
  readonly fields: {
    readonly counter: FrameField;
    readonly file: FrameField;
    /** Segment index; exactly one of `segment` and `offset` is there. */
    readonly segment?: FrameField;
    /** Byte offset of the payload in its file. */
    readonly offset?: FrameField;
    /** Number of segments of the file (with `segment`). */
    readonly segments?: FrameField;
    /** Size of the file in bytes (with `offset`, or instead of `segments`). */
    readonly bytes?: FrameField;
    /** Payload bytes used. Absent = always `payload.size`. */
    readonly length?: FrameField;
  };
  readonly payload: { readonly at: number; readonly size: number };
  readonly crc: {
    readonly parameters: CrcParameters;
    readonly at: number;
    /** Half open: first byte covered, first byte not covered. */
    readonly covers: readonly [number, number];
    readonly endian: 'big' | 'little';
  };
};

/** What catalogues and descriptors may state. */
export type CatalogueChecksum = 'crc32' | 'md5' | 'sha1' | 'sha256';

/** Those, and what a file delivery states besides; `unstated` where the type was not received: any of the delivery's. */
export type ChecksumAlgorithm = CatalogueChecksum | 'modular' | 'proximity1' | 'crc32c' | 'unstated';

/** What is known of a file from outside its own segments. */
export type FileFacts = {
  readonly file: number;
  /** The transaction that `file` stands for, where the catalogue names one. */
  readonly transaction?: readonly [source: number, sequence: number];
  /** Id of the stored content they are of; absent = of any content of this file number that they fit. */
  readonly stored?: string;
  /** As given: untrusted when it was downlinked. */
  readonly name?: string;
  readonly bytes?: number;
  /** `value` in lower-case hexadecimal. */
  readonly checksum?: { readonly algorithm: ChecksumAlgorithm; readonly value: string };
};

/** How the samples of a camera's raw frames lie in their files: nothing in such a file tells. */
export type SensorLayout = {
  /** Samples. */
  readonly width: number;
  readonly height: number;
  /** Bits per sample, 8 to 16. */
  readonly bits: number;
  /** `none`: each sample in whole bytes; else samples follow each other without spare bits, high or low bit first; rows begin in a new byte. */
  readonly packing: 'none' | 'high-first' | 'low-first';
  /** Of samples of two bytes. */
  readonly byteOrder: 'big' | 'little';
  /** `mono`, or the colours of the first two samples of the first two rows as sent. */
  readonly pattern: 'mono' | 'RGGB' | 'BGGR' | 'GRBG' | 'GBRG';
  readonly rowOrder: 'top-down' | 'bottom-up';
  /** The sample that stands for black. */
  readonly blackLevel: number;
  /** Factors for red, green, blue. */
  readonly whiteBalance: readonly [red: number, green: number, blue: number];
  /** Bytes before the first row. */
  readonly headerBytes: number;
};

/** Raw frames, known by their name: `*` stands for any characters. */
export type SensorFiles = { readonly name: string; readonly layout: SensorLayout };

export type LayerChoice = { readonly name: string; readonly options: Readonly<Record<string, unknown>> };

export type Mission = {
  readonly name: string;
  readonly downlink: { readonly bitsPerSecond?: number; readonly rotationSeconds?: number };
  /** From the recording inwards. */
  readonly layers: readonly LayerChoice[];
  /** Absent where the last layer is a standard file delivery (`cfdp`). */
  readonly frame?: FrameLayout;
  readonly files: {
    /** The file whose content lists the others, and how it is written. */
    readonly descriptor?: { readonly file: number; readonly format: 'csv' | 'json' };
    readonly catalogue: readonly FileFacts[];
    /** Raw frames of cameras among the files. */
    readonly sensors?: readonly SensorFiles[];
    /** Of clips whose own did not arrive, one entry for each way they are coded: see `parameterSetBytes`. */
    readonly parameterSets?: readonly string[];
  };
};
