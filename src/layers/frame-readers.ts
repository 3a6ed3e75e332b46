// What the fields of a mission's own frame say, and whether it can be. All that is made here of a layout is made once: functions made
// anew for each recording would have to be compiled anew.
import { compileField, type FieldReader } from '../mission/frame-fields.js';
import type { FrameLayout } from '../mission/mission.js';

export type FrameReaders = {
  readonly counter: FieldReader;
  readonly file: FieldReader;
  /** Segment index or byte offset: what names the segment in its file. */
  readonly key: FieldReader;
  /** What the frame states of its file's size: segments (bytes, with byte offsets), 0 where it states nothing. */
  readonly segments: FieldReader;
  /** The file's size in bytes, 0 where the frame does not state it. */
  readonly fileBytes: FieldReader;
  /** Payload bytes used. */
  readonly payloadBytes: FieldReader;
  /** Makes `segments` out of its two fields, 0 where there is none. */
  readonly sizeOf: (segments: number, fileBytes: number) => number;
  readonly arePossible: FieldCheck;
};

/** Whether key, stated size of the file (`FrameReaders.segments`) and used payload bytes of a frame are possible. */
type FieldCheck = (key: number, segments: number, used: number) => boolean;

const made = new WeakMap<FrameLayout, FrameReaders>();

export function frameReaders(layout: FrameLayout): FrameReaders {
  const readers = made.get(layout) ?? makeReaders(layout);
  made.set(layout, readers);
  return readers;
}

function makeReaders(layout: FrameLayout): FrameReaders {
  const { counter, file, segment, offset, segments, bytes, length } = layout.fields;
  const { size } = layout.payload;
  const none: FieldReader = () => 0;
  const count = segments ? compileField(segments) : none;
  const fileBytes = bytes ? compileField(bytes) : none;
  const sizeOf = statedSize(layout);
  return {
    counter: compileField(counter),
    file: compileField(file),
    key: compileField((segment ?? offset)!),
    segments: (b, at) => sizeOf(count(b, at), fileBytes(b, at)),
    fileBytes,
    payloadBytes: length ? compileField(length) : () => size,
    sizeOf,
    arePossible: fieldCheck(layout),
  };
}

function statedSize({ fields, payload }: FrameLayout): (segments: number, fileBytes: number) => number {
  if (fields.offset) return (_segments, fileBytes) => fileBytes;
  if (fields.segments) return (segments) => segments;
  return (_segments, fileBytes) => Math.ceil(fileBytes / payload.size);
}

/** Only the last segment may be short: the place of every other one is its number times the payload size. */
function fieldCheck({ fields, payload: { size } }: FrameLayout): FieldCheck {
  if (fields.offset) {
    // Without a length of its own the last payload is filled up behind the file's end.
    const least = fields.length ? (used: number) => used : () => 1;
    return (key, fileBytes, used) => used <= size && (fileBytes === 0 || key + least(used) <= fileBytes);
  }
  return (key, segments, used) =>
    used <= size && (segments === 0 || (key < segments && (used === size || key === segments - 1)));
}
