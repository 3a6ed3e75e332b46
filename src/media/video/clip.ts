// What the readers of containers hand on: a clip's coded pictures in decoding order with their classes, and its sound.
import type { AccessUnit } from './access-units.js';
import type { Picture } from './frame-classes.js';
import type { HoledBytes } from './holed-bytes.js';

/** Sound whose samples arrived whole; pieces that did not are left out, not filled. */
export type Sound = {
  /** A sample entry box of ISO/IEC 14496-12, such as `mp4a`. */
  readonly entry: Buffer;
  readonly timescale: number;
  /** Times in ticks of `timescale`. */
  readonly samples: readonly { readonly bytes: Buffer; readonly time: number; readonly duration: number }[];
  readonly complete: boolean;
};

export type Clip = {
  readonly codec: 'h264' | 'hevc' | 'mjpeg';
  /** What the units' positions refer to. */
  readonly data: HoledBytes;
  /** In decoding order, parallel to `pictures`; slices are forgotten. */
  readonly units: readonly AccessUnit<unknown>[];
  readonly pictures: readonly Picture[];
  /** Bytes behind the last unit that are no one's. */
  readonly hiddenAtEnd: number;
  readonly parameterSets: readonly Buffer[];
  readonly size: { readonly width: number; readonly height: number } | null;
  readonly frameRate: number | null;
  readonly sound: Sound | null;
  /** Plain sentences on how it was read. */
  readonly remarks: readonly string[];
};
