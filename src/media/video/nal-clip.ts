// From NAL units to classed pictures: learns the parameter sets first, wherever in the clip they stand, then joins and
// classes the access units of H.264 and H.265 alike.
import type { AccessUnit, JoinedStream } from './access-units.js';
import { joinAccessUnits } from './access-units.js';
import { h264Codec, h265Codec, type LearntCodec } from './codecs.js';
import type { Picture } from './frame-classes.js';
import { classifyH264 } from './h264-references.js';
import { classifyH265 } from './h265-references.js';
import type { HoledBytes } from './holed-bytes.js';
import { type Piece, splitByteStream } from './nal-units.js';
import { parameterUnits } from './parameter-store.js';

export type NalCodecName = 'h264' | 'hevc';

/** The pictures of a clip, with what was learnt about its coding. */
export type NalClip = {
  readonly codec: NalCodecName;
  readonly units: readonly AccessUnit<unknown>[];
  readonly pictures: readonly Picture[];
  readonly hiddenAtEnd: number;
  readonly parameterSets: Buffer[];
  readonly size: { readonly width: number; readonly height: number } | null;
  readonly frameRate: number | null;
  /** Plain sentences, where parameter sets come from elsewhere. */
  readonly remarks: readonly string[];
};

/** How a container gives its units: called twice, with the parameter sets of the first walk known in the second. */
export type UnitReader = <Slice extends { readonly first: boolean }>(codec: LearntCodec<Slice>) => JoinedStream<Slice>;

/**
 * @param own parameter sets the container holds apart from the stream
 * @param known parameter sets from elsewhere, used where the clip has none
 * @returns `null` where no picture can be read
 */
export function readNalClip(
  codec: NalCodecName,
  own: readonly Uint8Array[],
  known: readonly Uint8Array[],
  read: UnitReader,
): NalClip | null {
  if (codec === 'h264') return classed(h264Codec, classifyH264, own, known, read);
  return classed(h265Codec, classifyH265, own, known, read);
}

/** A byte stream with start codes. */
export function byteStreamReader(data: HoledBytes): UnitReader {
  return (codec) => {
    const pieces = [...splitByteStream(data, codec.headerBytes)];
    learnFrom(data, pieces, codec);
    return joinAccessUnits(data, pieces, codec);
  };
}

/** Learns the whole parameter sets among the pieces, where their identifiers are not known yet. */
export function learnFrom<Slice extends { readonly first: boolean }>(
  data: HoledBytes,
  pieces: readonly Piece[],
  codec: LearntCodec<Slice>,
): void {
  for (const piece of pieces) {
    if ('hole' in piece || !piece.whole) continue;
    const bytes = data.bytes.subarray(piece.start, piece.end);
    if (codec.role(bytes) === 'parameters') codec.learn(bytes);
  }
}

/** Whether a byte stream is H.264 or H.265, by its first parameter set or, failing that, by what the units can be. */
export function sniffByteStream(data: HoledBytes): NalCodecName | null {
  for (const piece of splitByteStream(data, 2)) {
    if ('hole' in piece) continue;
    const [first, second] = [data.bytes[piece.start]!, data.bytes[piece.start + 1]!];
    if ((first & 0x80) !== 0) return null;
    // H.265 parameter sets and delimiters of layer 0, temporal id 0; H.264 parameter sets (forbidden bit, reference bits, type).
    if (first >= 0x40 && first <= 0x46 && (first & 1) === 0 && second === 1) return 'hevc';
    if ((first & 0x60) !== 0 && ((first & 0x1f) === 7 || (first & 0x1f) === 8)) return 'h264';
  }
  return null;
}

function classed<Slice extends { readonly first: boolean }>(
  make: () => LearntCodec<Slice>,
  classify: (units: readonly AccessUnit<Slice>[], varying: boolean) => Picture[],
  own: readonly Uint8Array[],
  known: readonly Uint8Array[],
  read: UnitReader,
): NalClip | null {
  const attempt = (sets: readonly Uint8Array[]) => {
    const codec = make();
    for (const unit of sets) {
      if (unit.length >= codec.headerBytes && codec.role(unit) === 'parameters') codec.learn(unit);
    }
    const joined = read(codec);
    return { codec, joined, slices: joined.units.reduce((sum, { slices }) => sum + slices.length, 0) };
  };
  let best = attempt(own);
  const remarks: string[] = [];
  let doubtful = false;
  if (best.slices === 0) {
    const tries = candidates(known).map((sets) => attempt([...own, ...sets]));
    const most = tries.reduce((high, { slices }) => Math.max(high, slices), 0);
    const fitting = tries.filter(({ slices }) => slices === most);
    if (most === 0) return null;
    best = fitting[0]!;
    doubtful = fitting.length > 1;
    remarks.push(doubtful ? doubtfulSets : borrowedSets);
  }
  const { codec, joined } = best;
  const facts = codec.facts();
  if (!facts) return null;
  const pictures = classify(joined.units, codec.varying()).map((picture): Picture => {
    return doubtful && picture.class === 'exact' ? { ...picture, class: 'tainted', clean: false } : picture;
  });
  return {
    codec: codec.name,
    units: joined.units,
    pictures,
    hiddenAtEnd: joined.hiddenAtEnd,
    parameterSets: codec.parameterSets(),
    size: { width: facts.width, height: facts.height },
    frameRate: facts.frameRate,
    remarks,
  };
}

/** What is known from elsewhere, one list per origin and each content once; bare NAL units belong together. */
function candidates(known: readonly Uint8Array[]): Buffer[][] {
  const loose: Buffer[] = [];
  const lists = new Map<string, Buffer[]>();
  for (const units of known.map(parameterUnits)) {
    if (units.length === 1) loose.push(units[0]!);
    else lists.set(Buffer.concat(units).toString('latin1'), units);
  }
  if (loose.length > 0) lists.set(Buffer.concat(loose).toString('latin1'), loose);
  return [...lists.values()];
}

const borrowedSets =
  'The parameter sets did not arrive: those of another clip or of the mission file are used; if this clip was coded with other settings, its frames are wrong.';
const doubtfulSets =
  'The parameter sets did not arrive, and clips of different settings are known whose sets fit: which are right cannot be told, so no frame counts as exact.';
