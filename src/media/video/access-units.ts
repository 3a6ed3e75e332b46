// Joins NAL units to access units, one coded picture each: H.264, 7.4.1.2.3 and 7.4.1.2.4; H.265, 7.4.2.4.4. Hole-aware:
// an access unit is whole only where nothing that decoding it needs can be hidden in a hole.
import type { HoledBytes } from './holed-bytes.js';
import type { NalUnit, Piece } from './nal-units.js';

/** What an access unit does with a NAL unit. `ignorable`: decoding does not need it (delimiters, SEI, filler). */
export type UnitRole = 'slice' | 'parameters' | 'ignorable' | 'other';

/** One coding standard, as far as joining needs to know it. */
export type Codec<Slice extends { readonly first: boolean }> = {
  readonly name: 'h264' | 'hevc';
  readonly headerBytes: 1 | 2;
  role(header: Uint8Array): UnitRole;
  /** Whether this unit, where it follows a slice, begins the next access unit. */
  begins(header: Uint8Array): boolean;
  /** Takes a whole parameter set; later slices are read with it. */
  learn(unit: Uint8Array): void;
  readSlice(unit: Uint8Array): Slice | null;
  /** Whether `next` goes on with the picture of the slices before it, which are at least one. */
  samePicture(before: readonly Slice[], next: Slice): boolean;
  /** The unit that begins with `slice` can have no slice of the same picture before it. */
  surelyFirst(slice: Slice): boolean;
};

export type SampleTimes = {
  /** Seconds. */
  readonly decode: number | null;
  readonly present: number | null;
  /** By the container; `null` where it does not tell. */
  readonly sync: boolean | null;
};

export type AccessUnit<Slice> = {
  /** Those that a decoder can use at least in part: without the ignorable ones, and without slices that have no header. */
  readonly units: NalUnit[];
  readonly slices: Slice[];
  /** Any byte of it arrived. */
  arrived: boolean;
  /** All that decoding needs of it arrived. */
  whole: boolean;
  /** Bytes it takes, as far as they are known to be its own. */
  bytes: number;
  /** Bytes before it that are no one's: whole access units may be hidden there. 0 where the container counts them. */
  hiddenBefore: number;
  /** A parameter set came just before or inside it. */
  parameters: boolean;
  /** The last unit seen of it was cut: what is hidden behind it begins in that unit. */
  lastCut: boolean;
  readonly times: SampleTimes | null;
};

export type JoinedStream<Slice> = {
  /** In decoding order. */
  readonly units: AccessUnit<Slice>[];
  /** Bytes behind the last one that are no one's. */
  readonly hiddenAtEnd: number;
};

/** @param pieces in stream order, of one elementary stream */
export function joinAccessUnits<Slice extends { readonly first: boolean }>(
  data: HoledBytes,
  pieces: Iterable<Piece>,
  codec: Codec<Slice>,
): JoinedStream<Slice> {
  const units: AccessUnit<Slice>[] = [];
  let current: AccessUnit<Slice> | undefined;
  let hole = 0;
  for (const piece of pieces) {
    if ('hole' in piece) {
      hole += piece.hole;
      continue;
    }
    const bytes = data.bytes.subarray(piece.start, piece.knownEnd);
    const slice = codec.role(bytes) === 'slice' ? codec.readSlice(bytes) : null;
    const hasSlices = current !== undefined && current.slices.length > 0;
    // The hole may hold more slices of the picture before it; cut units are noted as they are added.
    const cut = current?.lastCut ?? false;
    if (current && hole > 0 && hasSlices && !cut) current.whole = false;
    if (!current || (hasSlices && beginsNext(current.slices, bytes, slice, hole, codec))) {
      current = newAccessUnit();
      units.push(current);
    } else if (hole > 0 && hasSlices) {
      current.whole = false;
      hole = 0;
    }
    current.hiddenBefore += hole;
    hole = 0;
    addUnit(current, piece, bytes, slice, codec);
  }
  if (current && hole > 0 && !current.lastCut) current.whole = false;
  // Delimiters and the like behind the last picture are no picture.
  if (current && current.slices.length === 0 && hole === 0) units.pop();
  for (const unit of units) if (unit.slices.length === 0) unit.whole = false;
  return { units, hiddenAtEnd: hole };
}

/**
 * The access unit in one sample of a container, which knows where the sample begins and ends.
 *
 * @param arrived whether any byte of the sample did
 */
export function sampleAccessUnit<Slice extends { readonly first: boolean }>(
  data: HoledBytes,
  pieces: Iterable<Piece>,
  codec: Codec<Slice>,
  times: SampleTimes,
  arrived: boolean,
): AccessUnit<Slice> {
  const unit = newAccessUnit<Slice>(times);
  unit.arrived = arrived;
  for (const piece of pieces) {
    if ('hole' in piece) {
      unit.whole = false;
      unit.bytes += piece.hole;
      continue;
    }
    const bytes = data.bytes.subarray(piece.start, piece.knownEnd);
    addUnit(unit, piece, bytes, codec.role(bytes) === 'slice' ? codec.readSlice(bytes) : null, codec);
  }
  if (unit.slices.length === 0) unit.whole = false;
  return unit;
}

function newAccessUnit<Slice>(times: SampleTimes | null = null): AccessUnit<Slice> {
  return {
    units: [],
    slices: [],
    arrived: false,
    whole: true,
    bytes: 0,
    hiddenBefore: 0,
    parameters: false,
    lastCut: false,
    times,
  };
}

function beginsNext<Slice extends { readonly first: boolean }>(
  slices: readonly Slice[],
  bytes: Uint8Array,
  slice: Slice | null,
  hole: number,
  codec: Codec<Slice>,
): boolean {
  if (codec.begins(bytes)) return true;
  if (slice) return !codec.samePicture(slices, slice);
  // A slice whose header cannot be read, behind a hole: nobody can say whose it is.
  return hole > 0 && codec.role(bytes) === 'slice';
}

function addUnit<Slice extends { readonly first: boolean }>(
  to: AccessUnit<Slice>,
  piece: NalUnit,
  bytes: Uint8Array,
  slice: Slice | null,
  codec: Codec<Slice>,
): void {
  const role = codec.role(bytes);
  to.bytes += piece.end - piece.start;
  to.lastCut = !piece.whole;
  to.arrived = true;
  if (role === 'ignorable') return;
  if (role === 'parameters') {
    to.parameters = true;
    if (piece.whole) codec.learn(bytes);
  } else if (role === 'slice') {
    if (slice && to.slices.length === 0 && !(to.hiddenBefore > 0 ? codec.surelyFirst(slice) : slice.first))
      to.whole = false;
    if (slice) to.slices.push(slice);
    if (!slice || !piece.whole) to.whole = false;
    if (!slice) return;
  } else if (!piece.whole) {
    to.whole = false;
  }
  to.units.push(piece);
}
