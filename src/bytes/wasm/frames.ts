// AssemblyScript (compiled by src/build.ts, not by TypeScript): frames of one length that stand one after the other, checked and read
// at the machine's speed. Its other half is ../../layers/frame-scan.ts, which says what a frame is.
import { hashLow } from './bytes';
import { advance, useFoldRoom } from './crc16';

export { advance, useFoldRoom };

/** As laid out by ../../layers/frame-scan.ts. */
@unmanaged
class Layout {
  frameBytes: u32;
  /** Where the marker stands. */
  marker: u32;
  markerBytes: u32;
  /** Of the CRC (see crc16.ts): its tables, its register before the first byte, and what is added to the last. */
  crcTables: u32;
  crcFirst: u32;
  crcAdded: u32;
  crcFrom: u32;
  crcOver: u32;
  /** Where the CRC is stated, in how many bytes (1 or 2), and whether these stand the other way round than in the register. */
  crcAt: u32;
  crcBytes: u32;
  crcIsSwapped: u32;
  payloadAt: u32;
  payloadBytes: u32;
  /** From one key to the next. */
  step: u32;
}

/** Six stand behind the layout: counter, file, key, segments, bytes of the file, bytes of the payload. */
@unmanaged
class Field {
  at: u32;
  bit: u32;
  /** 0 = there is none; it reads 0. */
  bits: u32;
  isLittle: u32;
}

/** Frames that continue each other. */
@unmanaged
class Run {
  /** Address of the first. */
  at: f64;
  /** The number of its hash among all. */
  hashAt: f64;
  count: f64;
  counter: f64;
  file: f64;
  key: f64;
  segments: f64;
  fileBytes: f64;
  /** Payload bytes of the last frame; all others are full. */
  lastBytes: f64;
  /** Which of its group the first is. */
  phase: f64;
}

/** Where what is found goes, as laid out by ../../layers/scan-room.ts. */
@unmanaged
class Room {
  /** Of `Run`s, and for how many there is room. */
  runs: u32;
  mostRuns: u32;
  /** The low 32 bits of the XXH64 of each payload, and for how many there is room. */
  hashes: u32;
  mostFrames: u32;
}

// @ts-ignore: decorator
@inline
function fieldOf(layout: Layout, index: u32): Field {
  return changetype<Field>(changetype<usize>(layout) + offsetof<Layout>() + index * offsetof<Field>());
}

// @ts-ignore: decorator
@inline
function read(field: Field, frame: usize): u64 {
  if (field.bits == 0) return 0;
  const word = load<u64>(frame + field.at);
  const unused = 64 - field.bits;
  return (field.isLittle ? word << unused : bswap<u64>(word) << field.bit) >> unused;
}

// @ts-ignore: decorator
@inline
function isSame(a: usize, b: usize, size: u32): bool {
  for (let i: u32 = 0; i < size; i++) if (load<u8>(a + i) != load<u8>(b + i)) return false;
  return true;
}

// @ts-ignore: decorator
@inline
function hasMarker(layout: Layout, frame: usize): bool {
  return isSame(frame, layout.marker, layout.markerBytes);
}

// @ts-ignore: decorator
@inline
function isCrcRight(layout: Layout, frame: usize): bool {
  const stated = frame + layout.crcAt;
  let crc: u32 = layout.crcBytes == 1 ? load<u8>(stated) : load<u16>(stated);
  if (layout.crcIsSwapped) crc = bswap<u16>(<u16>crc);
  return (advance(layout.crcTables, layout.crcFirst, frame + layout.crcFrom, layout.crcOver) ^ layout.crcAdded) == crc;
}

/** Where the last walk ended, and how many runs and frames there are so far. */
let reached: usize = 0;
let found: u32 = 0;
let frames: u32 = 0;

/** See `scan`. */
function walk(layout: Layout, at: usize, end: usize, group: u32, skip: usize, lead: u32, room: Room): void {
  const runs: usize = room.runs;
  const mostRuns = room.mostRuns;
  const hashes: usize = room.hashes;
  const mostFrames = room.mostFrames;
  const size = layout.frameBytes;
  const full: u64 = layout.payloadBytes;
  const lengthField = fieldOf(layout, 5);
  let run = changetype<Run>(runs);
  let nextCounter: u64 = 0;
  let nextKey: u64 = 0;
  let file: u64 = 0;
  let segments: u64 = 0;
  let fileBytes: u64 = 0;
  let isFull = false;
  let phase: u32 = 0;
  const firstLead = at - lead;
  while (at + size <= end && frames < mostFrames) {
    if (!hasMarker(layout, at)) break;
    const used = lengthField.bits == 0 ? full : read(lengthField, at);
    if (used > full || !isCrcRight(layout, at)) break;
    const counter = read(fieldOf(layout, 0), at);
    const ownFile = read(fieldOf(layout, 1), at);
    const key = read(fieldOf(layout, 2), at);
    const ownSegments = read(fieldOf(layout, 3), at);
    const ownFileBytes = read(fieldOf(layout, 4), at);
    const continues =
      isFull &&
      counter == nextCounter &&
      key == nextKey &&
      ownFile == file &&
      ownSegments == segments &&
      ownFileBytes == fileBytes;
    if (continues) run.count += 1;
    else {
      if (found == mostRuns) break;
      run = changetype<Run>(runs + found * offsetof<Run>());
      found++;
      file = ownFile;
      segments = ownSegments;
      fileBytes = ownFileBytes;
      run.at = <f64>at;
      run.hashAt = <f64>frames;
      run.count = 1;
      run.counter = <f64>counter;
      run.file = <f64>file;
      run.key = <f64>key;
      run.segments = <f64>segments;
      run.fileBytes = <f64>fileBytes;
      run.phase = <f64>phase;
    }
    nextCounter = counter + 1;
    nextKey = key + layout.step;
    isFull = used == full;
    run.lastBytes = <f64>used;
    store<u32>(hashes + (frames << 2), hashLow(at + layout.payloadAt, <u32>used));
    frames++;
    at += size;
    if (++phase == group) {
      phase = 0;
      at += skip;
      if (!isSame(at - lead, firstLead, lead)) break;
    }
  }
  reached = at;
}

/**
 * Walks over the intact frames from `at` on, up to the first that is not, to `end`, or to where there is no room.
 *
 * @param group frames after which `skip` bytes are passed over
 * @param lead the last of these that are to be as those before `at`
 * @param roomAt where what is found is put
 * @returns the number of runs
 */
export function scan(layoutAt: usize, at: usize, end: usize, group: u32, skip: usize, lead: u32, roomAt: usize): u32 {
  found = 0;
  frames = 0;
  walk(changetype<Layout>(layoutAt), at, end, group, skip, lead, changetype<Room>(roomAt));
  return found;
}

/** The same of all intact frames in `[at, end)`, wherever their markers stand and whatever is passed over. */
export function survey(layoutAt: usize, at: usize, end: usize, group: u32, skip: usize, roomAt: usize): u32 {
  const layout = changetype<Layout>(layoutAt);
  const room = changetype<Room>(roomAt);
  const first = load<u8>(layout.marker);
  const last = end - layout.frameBytes;
  found = 0;
  frames = 0;
  while (found < room.mostRuns && frames < room.mostFrames) {
    while (at <= last && load<u8>(at) != first) at++;
    if (at > last) break;
    const before = frames;
    walk(layout, at, end, group, skip, 0, room);
    at = frames > before ? reached : at + 1;
  }
  return found;
}
