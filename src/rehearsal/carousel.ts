// The spacecraft's side: all files in turn, each cut into segments, again and again, one counter step per frame. Says for any
// frame number what is in it, without keeping what was sent. Also the events that make merging hard: a reboot (the counter starts
// again at 0) and a file replaced under its old number (a new edition).
import { crc32 } from '../bytes/crc.js';
import { UsageError } from '../errors.js';
import { encodeFrame } from '../layers/frame.js';
import type { FrameField, FrameLayout, Mission } from '../mission/mission.js';

export type CarouselFile = {
  readonly file: number;
  /** 1 for the first content under this number. */
  readonly edition: number;
  readonly name: string;
  readonly content: Uint8Array;
};

/** A time in which the same files go round, from frame `start` on until the next stretch begins. */
export type Stretch = {
  /** Frames sent since the campaign began. */
  readonly start: number;
  /** On-board run, from 1. */
  readonly run: number;
  /** Unwrapped counter of the first frame. */
  readonly counter: number;
  readonly files: readonly CarouselFile[];
  /** Where in the cycle each file begins, in frames. */
  readonly firsts: readonly number[];
  /** Frames until the first file comes again. */
  readonly cycle: number;
};

export type CarouselEvents = {
  /** The counter of the very first frame; default 0. */
  readonly startCounter?: number;
  /** The frame before which the spacecraft restarts; default never. */
  readonly rebootBefore?: number;
  /** New content under an old number, sent from the first cycle that begins at or after frame `from`. */
  readonly replacements?: readonly { readonly from: number; readonly file: number; readonly content: Uint8Array }[];
};

/** One sending of one frame. */
export type Sending = {
  readonly run: number;
  readonly counter: number;
  readonly content: CarouselFile;
  readonly segment: number;
};

/**
 * Lays out what is sent, the descriptor file first when the mission has one (made here from the other files).
 *
 * @throws UsageError when a number does not fit its field in the mission's frame
 */
export function planCarousel(mission: Mission, files: readonly CarouselFile[], events: CarouselEvents = {}): Stretch[] {
  const stretches: Stretch[] = [];
  let current = [...files].sort((a, b) => a.file - b.file);
  const begin = (start: number, run: number, counter: number): void => {
    while (stretches.length > 0 && stretches.at(-1)!.start >= start) stretches.pop();
    const all = withDescriptor(mission, current, stretches.at(-1)?.files);
    for (const file of all) checkFits(mission, file);
    const firsts: number[] = [];
    let cycle = 0;
    for (const { content } of all) {
      firsts.push(cycle);
      cycle += segmentCount(mission, content);
    }
    stretches.push({ start, run, counter, files: all, firsts, cycle });
  };
  begin(0, 1, events.startCounter ?? 0);

  const changes = (events.replacements ?? []).map((change) => ({ at: change.from, change }));
  const reboots = events.rebootBefore === undefined ? [] : [{ at: events.rebootBefore, change: undefined }];
  for (const { at, change } of [...changes, ...reboots].sort((a, b) => a.at - b.at)) {
    const last = stretches.at(-1)!;
    if (change === undefined) {
      begin(at, last.run + 1, 0);
      continue;
    }
    const old = current.find(({ file }) => file === change.file);
    if (old === undefined) throw new UsageError(`no file has number ${change.file}, so it cannot be replaced`);
    current = current.map((file) =>
      file === old ? { ...old, edition: old.edition + 1, content: change.content } : file,
    );
    const start = last.start + Math.max(0, Math.ceil((at - last.start) / last.cycle)) * last.cycle;
    begin(start, last.run, last.counter + start - last.start);
  }
  return stretches;
}

/** What frame number `frame` of the campaign carries. */
export function sendingAt(stretches: readonly Stretch[], frame: number): Sending {
  const stretch = stretches.findLast(({ start }) => start <= frame)!;
  const place = (frame - stretch.start) % stretch.cycle;
  const index = stretch.firsts.findLastIndex((first) => first <= place);
  return {
    run: stretch.run,
    counter: stretch.counter + frame - stretch.start,
    content: stretch.files[index]!,
    segment: place - stretch.firsts[index]!,
  };
}

/** The frame itself, marker to CRC, its counter wrapped as its field is wide. */
export function sendingFrame(mission: Mission, sending: Sending): Uint8Array {
  const frame = frameOf(mission);
  const { fields, payload } = frame;
  const { file, content } = sending.content;
  const offset = sending.segment * payload.size;
  const part = content.subarray(offset, offset + payload.size);
  const values = {
    counter: sending.counter % 2 ** fields.counter.bits,
    file,
    ...(fields.segment ? { segment: sending.segment } : { offset }),
    ...(fields.segments ? { segments: segmentCount(mission, content) } : {}),
    ...(fields.bytes ? { bytes: content.length } : {}),
    length: part.length,
  };
  return encodeFrame(frame, values, part);
}

export function segmentCount(mission: Mission, content: Uint8Array): number {
  return Math.ceil(content.length / frameOf(mission).payload.size);
}

/** @throws UsageError where files come by a standard file delivery instead */
export function frameOf({ frame }: Mission): FrameLayout {
  if (!frame) throw new UsageError('this carousel is of frames; the mission has none of its own');
  return frame;
}

/** CRC-32 (ISO-HDLC) in hexadecimal, as descriptor and truth give it. */
export function crc32Hex(content: Uint8Array): string {
  return crc32(content, 0, content.length).toString(16).padStart(8, '0');
}

/** `files` with the descriptor before them: the next edition of it where its content differs from that in `before`. */
function withDescriptor(
  mission: Mission,
  files: readonly CarouselFile[],
  before: readonly CarouselFile[] | undefined,
): readonly CarouselFile[] {
  const { descriptor } = mission.files;
  if (descriptor === undefined) return files;
  const rows = files.map(({ file, name, content }) => ({
    file,
    name,
    bytes: content.length,
    crc32: crc32Hex(content),
  }));
  const text =
    descriptor.format === 'json'
      ? `${JSON.stringify(rows, null, 1)}\n`
      : `file,name,bytes,crc32\n${rows.map((row) => `${row.file},${csvText(row.name)},${row.bytes},${row.crc32}\n`).join('')}`;
  const content = new TextEncoder().encode(text);
  const old = before?.find(({ file }) => file === descriptor.file);
  if (old !== undefined && Buffer.compare(old.content, content) === 0) return [old, ...files];
  const name = `descriptor.${descriptor.format}`;
  return [{ file: descriptor.file, edition: (old?.edition ?? 0) + 1, name, content }, ...files];
}

/** Quoted where RFC 4180 wants it. */
function csvText(text: string): string {
  return /[",\r\n]/.test(text) ? `"${text.replaceAll('"', '""')}"` : text;
}

function checkFits(mission: Mission, { file, name, content }: CarouselFile): void {
  const { fields, payload } = frameOf(mission);
  if (content.length === 0) throw new UsageError(`${name} is empty: there is nothing to send`);
  const segments = segmentCount(mission, content);
  const wanted: [string, FrameField | undefined, number][] = [
    ['file', fields.file, file],
    ['segment', fields.segment, segments - 1],
    ['segments', fields.segments, segments],
    ['offset', fields.offset, (segments - 1) * payload.size],
    ['bytes', fields.bytes, content.length],
  ];
  for (const [field, layout, value] of wanted) {
    if (layout === undefined || value < 2 ** layout.bits) continue;
    throw new UsageError(`${name}: ${field} ${value} does not fit the frame's ${layout.bits} bits`);
  }
}
