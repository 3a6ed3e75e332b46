// Which bytes of a mission's frames are the counter, the file, the segment: told by how they change from frame to frame. What holds
// on nearly all pairs of frames is certain enough to write down; the rest is a guess, or not told.
import type { FrameField } from '../mission/mission.js';

export type FieldName = 'counter' | 'file' | 'segment' | 'offset' | 'segments' | 'bytes' | 'length';

export type GuessedField = {
  readonly field: FrameField;
  /** Whether the data leave no other reading. */
  readonly certain: boolean;
  /** Why, in words. */
  readonly why: string;
};

export type FieldGuess = {
  readonly fields: Partial<Readonly<Record<FieldName, GuessedField>>>;
  readonly payload: { readonly at: number; readonly size: number; readonly certain: boolean };
};

/** Bytes at the start of a frame in which fields are looked for. */
const HEADER_BYTES = 64;
/** Bytes of the widest field: 48 bits. */
const MAX_WIDTH = 6;
const MIN_PAIRS = 8;
/** Of the pairs, so many must agree for a field to be certain. */
const NEARLY_ALL = 0.95;
/** A counter, or segments within files: losses and new files break a step now and then. */
const MOSTLY = 0.6;
/** The high byte of what grows by nearly 256 goes up by one as well, and now and then stands still. */
const RARELY = 0.1;

type Column = {
  /** Value of each frame. */
  readonly values: readonly number[];
  readonly at: number;
  readonly bytes: number;
  readonly endian: 'big' | 'little';
};

const field = ({ at, bytes, endian }: Column): FrameField => ({ at, bit: 0, bits: 8 * bytes, endian });
const share = (values: readonly boolean[]): number => values.filter(Boolean).length / Math.max(1, values.length);

/**
 * @param starts of frames with the right CRC, in the order received
 * @param first byte behind the marker, `crcAt` the first of the CRC
 */
export function guessFields(
  data: Buffer,
  starts: readonly number[],
  { first, crcAt }: { first: number; crcAt: number },
): FieldGuess {
  const end = Math.min(crcAt, HEADER_BYTES);
  const column = (at: number, bytes: number, endian: 'big' | 'little' = 'big'): Column => ({
    at,
    bytes,
    endian,
    values: starts.map((start) =>
      endian === 'big' ? data.readUIntBE(start + at, bytes) : data.readUIntLE(start + at, bytes),
    ),
  });
  const fields: Partial<Record<FieldName, GuessedField>> = {};
  const whole = { fields, payload: { at: first, size: crcAt - first, certain: false } };
  if (starts.length <= MIN_PAIRS) return whole;

  const counting = countingColumns(column, first, end);
  const { counter, segment } = tellApart(counting);
  const taken = (at: number): boolean =>
    Object.values(fields).some(({ field: { at: from, bits } }) => at >= from && at < from + bits / 8);
  if (counter) {
    // Where nothing begins again beside it, it may as well be the segment.
    const certain = segment !== undefined && restarts(segment, counter).length > 0;
    fields.counter = { field: field(counter), certain, why: stepsText(counter, 1) };
  }
  if (segment) fields.segment = { field: field(segment), certain: fields.counter!.certain, why: stepsText(segment, 1) };
  const length = findLength(column, first, crcAt, taken);
  if (length) {
    const why = `${length.size} in ${length.times} of ${starts.length} frames, all the payload`;
    fields.length = { field: field(length.column), certain: true, why };
  }
  const headerEnd = length ? crcAt - length.size : end;
  const offset = segment ? undefined : findOffset(column, first, headerEnd, taken, length?.size);
  const key = segment ?? offset;
  const fileEnds = key ? restarts(key, counter) : [];
  if (offset) {
    const why = stepsText(offset, length?.size ?? commonStep(offset));
    fields.offset = { field: field(offset), certain: fileEnds.length > 0, why };
    if (fields.counter) fields.counter = { ...fields.counter, certain: fileEnds.length > 0 };
  }
  if (key && fileEnds.length > 0) {
    const total = findTotal(column, key, fileEnds, first, headerEnd, taken, offset ? (length?.size ?? 1) : 1);
    if (total) fields[offset ? 'bytes' : 'segments'] = total;
    const file = findFile(column, fileEnds, counter, first, headerEnd, taken);
    if (file) fields.file = file;
  }
  const ends = Object.values(fields).map(({ field: { at, bits } }) => at + bits / 8);
  const payloadAt = length ? headerEnd : Math.max(first, ...ends);
  return { fields, payload: { at: payloadAt, size: crcAt - payloadAt, certain: length !== undefined } };
}

type MakeColumn = (at: number, bytes: number, endian?: 'big' | 'little') => Column;

const steps = ({ values, bytes }: Column): number[] =>
  values.slice(1).map((value, i) => (value - values[i]! + 256 ** bytes) % 256 ** bytes);
const ups = (column: Column, step = 1): number => share(steps(column).map((by) => by === step));
/** Pairs in which the value falls: a new file, or the same one again. */
const resets = ({ values }: Column): number => values.slice(1).filter((value, i) => value < values[i]!).length;
const distinct = ({ values }: Column): number => new Set(values).size;

/** In how many frames the column goes on, how often it falls back, and how wide it is seen to be. */
function stepsText(column: Column, step: number): string {
  const parts = [`+${step} in ${(ups(column, step) * 100).toFixed(1)} % of the frames`];
  if (resets(column) > 0) parts.push(`restarts: ${resets(column)}`);
  const seen = Math.max(1, Math.ceil(Math.log2(Math.max(...column.values) + 1)));
  if (seen <= 8 * (column.bytes - 1)) parts.push(`? ${seen} of its bits seen set`);
  return parts.join(', ');
}

/** Bytes that go up by one from frame to frame, each with the bytes above it that take the carry. */
function countingColumns(column: MakeColumn, first: number, end: number): Column[] {
  const lows = Array.from({ length: Math.max(0, end - first) }, (_, i) => column(first + i, 1)).filter(
    (low) => distinct(low) >= 4 && ups(low) >= MOSTLY && ups(low, 0) < RARELY,
  );
  // The counter goes on where a file ends; so what jumps beside it is not its own.
  const counter = lows.toSorted((a, b) => ups(b) - ups(a))[0];
  return lows.map((low) => {
    const up = widen(column, low, first, low === counter);
    const down = widen(column, { ...low, endian: 'little' }, end, low === counter);
    // Where a carry was seen, it tells the byte order; else big-endian, the commoner.
    return isWide(down) && !isWide(up) ? down : up;
  });
}

/** Whether bytes above the low one were seen to change. */
const isWide = ({ values }: Column): boolean => new Set(values.map((value) => Math.floor(value / 256))).size > 1;

/** Whether, where the byte above changes, it only goes up, and the low ones did not follow each other there: frames are missing. */
function isRising(top: Column, low: Column, mayJump: boolean): boolean {
  const follow = steps(low);
  return (
    mayJump &&
    top.values.slice(1).every((value, i) => value === top.values[i] || (value > top.values[i]! && follow[i] !== 1))
  );
}

/**
 * Takes in the bytes above `low` that change by its carry alone, on pairs of frames `step` apart; constant zeros are taken in up to
 * 32 bits.
 *
 * @param limit index of the first byte that may be taken in (little-endian: behind the last one)
 * @param mayJump whether bytes that no carry was seen to reach may rise where frames are missing
 */
function widen(column: MakeColumn, low: Column, limit: number, mayJump: boolean, step = 1): Column {
  const { endian } = low;
  const follow = steps(low).map((by) => by === step);
  const end = low.at + low.bytes;
  let best = low;
  for (let bytes = low.bytes + 1; bytes <= MAX_WIDTH; bytes++) {
    const at = endian === 'big' ? end - bytes : low.at + bytes - 1;
    if (endian === 'big' ? at < limit : at >= limit) break;
    const top = column(at, 1);
    const carries = best.values.slice(1).map((value, i) => value < best.values[i]!);
    const moves = steps(top);
    const isMoving = distinct(top) > 1;
    const wrong = follow.filter((goesOn, i) => goesOn && moves[i] !== (carries[i] ? 1 : 0)).length;
    if (wrong > 0.02 * follow.length) break;
    // A byte that no carry was seen to reach is another field's, unless it is zero throughout or, a counter's, rises over a loss.
    const isReached = follow.some((goesOn, i) => goesOn && carries[i]);
    if (!isReached && (bytes > 4 || (isMoving ? !isRising(top, low, mayJump) : top.values[0] !== 0))) break;
    if (isReached && !isMoving) break;
    best = column(Math.min(at, low.at), bytes, endian);
  }
  return best;
}

/** Of the columns that count, the counter goes on where the segment begins again: it goes up by one most often. */
function tellApart(counting: readonly Column[]): { counter: Column | undefined; segment: Column | undefined } {
  const sorted = counting.toSorted((a, b) => ups(b) - ups(a));
  return {
    counter: sorted[0],
    segment: sorted.slice(1).find((column) => restarts(column, sorted[0]!).length > 0) ?? sorted[1],
  };
}

/** Indices of frames behind which the key falls back though no frame is missing: one file ends there, and the next begins. */
function restarts(key: Column, counter: Column | undefined): number[] {
  const follow = counter && steps(counter);
  return key.values.flatMap((value, i) => {
    const next = key.values[i + 1];
    return next !== undefined && next <= value && (!follow || follow[i] === 1) ? [i] : [];
  });
}

/** The field that says how much of the payload is used: mostly all that is left between it and the CRC, and never more. */
function findLength(
  column: MakeColumn,
  first: number,
  crcAt: number,
  taken: (at: number) => boolean,
): { column: Column; size: number; times: number } | undefined {
  for (const bytes of [2, 3, 4, 1]) {
    for (let at = first; at + bytes <= Math.min(crcAt, HEADER_BYTES); at++) {
      if (taken(at) || taken(at + bytes - 1)) continue;
      for (const endian of bytes === 1 ? (['big'] as const) : (['big', 'little'] as const)) {
        const candidate = column(at, bytes, endian);
        const size = Math.max(...candidate.values);
        const header = crcAt - size;
        if (header < at + bytes || header > at + bytes + 16 || size < 8) continue;
        const times = candidate.values.filter((value) => value === size).length;
        if (times >= MOSTLY * candidate.values.length && candidate.values.every((value) => value > 0))
          return { column: candidate, size, times };
      }
    }
  }
  return undefined;
}

/** The place in the file in bytes: goes up by the payload's size, or by one same step where that is not known. */
function findOffset(
  column: MakeColumn,
  first: number,
  end: number,
  taken: (at: number) => boolean,
  size: number | undefined,
): Column | undefined {
  for (const endian of ['big', 'little'] as const) {
    // The low 16 bits of every place, the last byte that fits first: before it stand the bytes above, or another field's.
    for (let at = end - 2; at >= first; at--) {
      const low = column(at, 2, endian);
      if (taken(at) || taken(at + 1) || distinct(low) < 4) continue;
      const step = size ?? commonStep(low);
      if (step < 2 || ups(low, step) < MOSTLY) continue;
      const limits = Array.from({ length: end - first }, (_, i) => first + i).filter(taken);
      const limit = endian === 'big' ? Math.max(first, ...limits.filter((i) => i < at).map((i) => i + 1)) : end;
      return widen(column, low, limit, false, step);
    }
  }
  return undefined;
}

function commonStep(column: Column): number {
  const times = new Map<number, number>();
  for (const step of steps(column)) times.set(step, (times.get(step) ?? 0) + 1);
  return [...times].reduce((a, b) => (b[1] > a[1] ? b : a), [0, 0])[0];
}

/** The number of segments, or the file's size: the last key and this fit together where files end, and it never is smaller. */
function findTotal(
  column: MakeColumn,
  key: Column,
  ends: readonly number[],
  first: number,
  end: number,
  taken: (at: number) => boolean,
  unit: number,
): GuessedField | undefined {
  const widths = [key.bytes, ...[1, 2, 3, 4, 5, 6].filter((bytes) => bytes !== key.bytes)];
  let best: { column: Column; hits: number } | undefined;
  for (const bytes of widths) {
    for (let at = first; at + bytes <= end; at++) {
      if (Array.from({ length: bytes }, (_, i) => at + i).some(taken)) continue;
      const candidate = column(at, bytes, key.endian);
      if (!candidate.values.every((value, i) => value > key.values[i]!)) continue;
      const hits = ends.filter((i) => candidate.values[i]! - key.values[i]! <= unit).length;
      if (hits > 0 && (!best || hits > best.hits)) best = { column: candidate, hits };
    }
  }
  if (!best || best.hits < 0.3 * ends.length) return undefined;
  return {
    field: field(best.column),
    certain: best.hits >= 2 && best.hits >= NEARLY_ALL * ends.length,
    why: `fits the end of ${best.hits} of ${ends.length} files`,
  };
}

/** The file number: changes where the key falls back, and nowhere else while no frame is missing. */
function findFile(
  column: MakeColumn,
  ends: readonly number[],
  counter: Column | undefined,
  first: number,
  end: number,
  taken: (at: number) => boolean,
): GuessedField | undefined {
  const follow = counter && steps(counter);
  const isEnd = new Set(ends);
  let best: { column: Column; hits: number; misses: number } | undefined;
  for (const bytes of [2, 1, 4, 3]) {
    for (let at = first; at + bytes <= end; at++) {
      if (Array.from({ length: bytes }, (_, i) => at + i).some(taken)) continue;
      const candidate = column(at, bytes);
      let hits = 0;
      let misses = 0;
      candidate.values.slice(1).forEach((value, i) => {
        if (value === candidate.values[i] || (follow && follow[i] !== 1)) return;
        if (isEnd.has(i)) hits++;
        else misses++;
      });
      if (hits > misses && (!best || hits - misses > best.hits - best.misses))
        best = { column: candidate, hits, misses };
    }
  }
  if (!best) return undefined;
  const certain = best.misses === 0 && best.hits >= 2 && best.hits >= NEARLY_ALL * ends.length;
  return { field: field(best.column), certain, why: `changes at ${best.hits} of ${ends.length} ends of files` };
}
