// Which H.264 frames are exact: follows frame_num, the sliding window and the marking commands (8.2.4, 8.2.5) from
// picture to picture. In doubt a frame is not exact: every frame in a reference list counts as used, and after a
// loss that may have carried marking commands only lists made of what came since are trusted.
import type { AccessUnit } from './access-units.js';
import { hiddenPicture, Loss, type Picture, streamSizes } from './frame-classes.js';
import type { H264Slice } from './h264-slice.js';

type Reference = { readonly frameNum: number; readonly poc: number; readonly exact: boolean };

/**
 * @param units in decoding order
 * @param varying parameter sets change within the stream
 * @returns one picture per access unit
 */
export function classifyH264(units: readonly AccessUnit<H264Slice>[], varying: boolean): Picture[] {
  const isReference = ({ slices }: AccessUnit<H264Slice>) => (slices[0]?.refIdc ?? 0) > 0;
  const isIdr = ({ slices }: AccessUnit<H264Slice>) => slices[0]?.idr === true;
  const sizes = streamSizes(units, isIdr, isReference);
  // Streams whose other intra pictures are not IDR commonly restart their counts only at their beginning.
  const isOtherIntra = ({ slices }: AccessUnit<H264Slice>) =>
    slices.length > 0 && slices.every(({ idr, type }) => !idr && type === 'I');
  const restartsOften = units.filter(isIdr).length > 1 || !units.some(isOtherIntra);
  // Fields and long-term references are not followed one by one: there any loss counts until the next IDR picture.
  const followed = !units.some(({ slices }) => slices.some((slice) => slice.field || slice.longTerm));
  const order = new PictureOrder();
  const pictures: Picture[] = [];
  let references: Reference[] = [];
  let previous: number | null = null;
  // How many frames from before a loss can still be referred to, nobody knows which.
  let older = 0;
  let broken = false;
  let doubtful = false;
  let sequence = 0;
  let loss = new Loss(sizes);

  for (const unit of units) {
    const slice = unit.slices[0];
    if (!slice) {
      loss.addUnit(unit);
      pictures.push(hiddenPicture(unit, sequence));
      continue;
    }
    loss.addHidden(unit.hiddenBefore);
    if (varying) doubtful = unit.parameters ? false : doubtful || loss.units > 0;
    const wrap = 2 ** slice.sps.frameNumBits;
    const capacity = Math.max(1, slice.sps.maxRefFrames);
    const forget = () => {
      references = [];
      older = capacity;
      broken = true;
    };
    if (slice.idr) {
      references = [];
      older = 0;
      broken = false;
      if (pictures.length > 0) sequence++;
    } else if (previous === null) {
      // The stream does not begin with an IDR picture; what it refers to is not known where something came before.
      if (loss.units > 0 || pictures.length > 0) forget();
    } else {
      const step = (slice.frameNum - previous + wrap) % wrap;
      const entryLost = loss.canHideEntry(Math.max(0, slice.frameNum - 1));
      if (entryLost || loss.references >= wrap || (step === 0 && !slice.field)) {
        forget();
        // For the time line what is likelier counts: that much was lost since an entry point, or since the last frame.
        const behind = Math.max(0, slice.frameNum - 1);
        const likely = step !== 1 && loss.distance(true, behind) < loss.distance(false, (step + wrap - 1) % wrap);
        if (entryLost && likely && restartsOften) {
          sequence++;
          order.restart();
        }
      } else if (step > 1) {
        // Frames that others refer to are lost, or never sent: then decoders fill in the same ones with and without loss.
        if (loss.units > 0) forget();
        else
          for (let i = 1; i < step; i++) {
            const skipped = { frameNum: (previous + i) % wrap, poc: 0, exact: true };
            references = slid([...references, skipped], capacity);
          }
      }
    }
    loss = new Loss(sizes);

    const poc = order.next(slice);
    const intra = unit.slices.every(({ type }) => type === 'I');
    let sound = intra || !broken;
    if (followed && !intra) {
      sound = unit.slices.every((one) => one.type === 'I' || usable(one, poc, references, older > 0));
    }
    const exact = unit.whole && sound && !doubtful;
    if (!exact && unit.slices.some(({ refIdc }) => refIdc !== 0)) broken = true;
    const state = exact ? 'exact' : unit.whole ? 'tainted' : 'damaged';
    pictures.push({ class: state, sequence, poc, clean: exact && !broken, entry: slice.idr, shown: true });

    if (slice.refIdc === 0) continue;
    const erased = slice.marking?.some(({ operation }) => operation === 5) ?? false;
    previous = erased ? 0 : slice.frameNum;
    const own = { frameNum: previous, poc: erased ? 0 : poc, exact };
    if (erased) {
      references = [];
      older = 0;
      sequence++;
    } else if (slice.marking) {
      const left = marked(references, slice);
      older -= commandsOf(slice).length - (references.length - left.length);
      references = left;
    } else references = slid(references, capacity - 1);
    references.push(own);
    // The buffer holds no more than the parameter set says, so what came since the loss pushes the older ones out.
    older = Math.max(0, Math.min(older, capacity - references.length));
  }
  return pictures;
}

/** Whether all that the slice's reference lists hold is exact. */
function usable(slice: H264Slice, poc: number, references: readonly Reference[], unsure: boolean): boolean {
  if (unsure && slice.type === 'B') return false;
  return slice.refsActive.every((count, list) => {
    if (count === 0) return true;
    const entries = referenceList(slice, list as 0 | 1, poc, references);
    // In doubt about what is left of older frames, the list must be full without them.
    return entries?.every(({ exact }) => exact) === true && (!unsure || entries.length === count);
  });
}

/** List 0 or 1 of a slice, 8.2.4; `null` where a frame is named that is not there. */
function referenceList(
  slice: H264Slice,
  list: 0 | 1,
  poc: number,
  references: readonly Reference[],
): Reference[] | null {
  const count = slice.refsActive[list];
  const wrap = 2 ** slice.sps.frameNumBits;
  let entries = initialList(slice, list, poc, references).slice(0, count);
  let named = slice.frameNum;
  for (const [index, { operation, value }] of slice.modifications[list].entries()) {
    // 8.2.4.3.1: frames are named by their distance to the one named before.
    named = (named + (operation === 0 ? -1 : 1) * (value + 1) + 2 * wrap) % wrap;
    const wanted = named > slice.frameNum ? named - wrap : named;
    const found = references.find((reference) => picNum(reference, slice) === wanted);
    if (!found || operation === 2) return null;
    entries = [...entries.slice(0, index), found, ...entries.slice(index).filter((other) => other !== found)];
  }
  return entries.slice(0, count);
}

/** 8.2.4.2.1 and 8.2.4.2.3: in P the frames decoded last first; in B the near past first, or the near future. */
function initialList(slice: H264Slice, list: 0 | 1, poc: number, references: readonly Reference[]): Reference[] {
  if (slice.type === 'P') return [...references].sort((a, b) => picNum(b, slice) - picNum(a, slice));
  const past = references.filter((other) => other.poc <= poc).sort((a, b) => b.poc - a.poc);
  const future = references.filter((other) => other.poc > poc).sort((a, b) => a.poc - b.poc);
  if (list === 0) return [...past, ...future];
  const [first, second, ...rest] = [...future, ...past];
  // Lists that would be equal differ in their first two entries.
  if (first && second && (past.length === 0 || future.length === 0)) return [second, first, ...rest];
  return [...future, ...past];
}

function picNum(reference: Reference, { frameNum, sps }: H264Slice): number {
  return reference.frameNum > frameNum ? reference.frameNum - 2 ** sps.frameNumBits : reference.frameNum;
}

/** The sliding window, 8.2.5.3; the references are kept oldest first. */
function slid(references: Reference[], limit: number): Reference[] {
  return references.slice(Math.max(0, references.length - Math.max(0, limit)));
}

/** PicNum of the frames that marking command 1 drops, 8.2.5.4.1; the others concern long-term references. */
function commandsOf(slice: H264Slice): number[] {
  return slice.marking!.flatMap(({ operation, first }) => (operation === 1 ? [slice.frameNum - (first + 1)] : []));
}

function marked(references: Reference[], slice: H264Slice): Reference[] {
  const dropped = commandsOf(slice);
  return references.filter((reference) => !dropped.includes(picNum(reference, slice)));
}

/** Picture order count, 8.2.1; of type 1 only the order in which such streams are commonly sent. */
class PictureOrder {
  #msb = 0;
  #lsb = 0;
  #frameNum = 0;
  #offset = 0;

  restart(): void {
    this.#msb = this.#lsb = this.#frameNum = this.#offset = 0;
  }

  next(slice: H264Slice): number {
    if (slice.idr) this.restart();
    const poc = slice.sps.pocType === 0 ? this.#byLsb(slice) : this.#byFrameNum(slice);
    if (slice.marking?.some(({ operation }) => operation === 5)) this.restart();
    return poc;
  }

  #byLsb(slice: H264Slice): number {
    const cycle = 2 ** slice.sps.pocLsbBits;
    let msb = this.#msb;
    if (slice.pocLsb < this.#lsb && this.#lsb - slice.pocLsb >= cycle / 2) msb += cycle;
    else if (slice.pocLsb > this.#lsb && slice.pocLsb - this.#lsb > cycle / 2) msb -= cycle;
    if (slice.refIdc !== 0) [this.#msb, this.#lsb] = [msb, slice.pocLsb];
    return msb + slice.pocLsb + Math.min(0, slice.deltaPoc[1]);
  }

  #byFrameNum(slice: H264Slice): number {
    if (this.#frameNum > slice.frameNum) this.#offset += 2 ** slice.sps.frameNumBits;
    this.#frameNum = slice.frameNum;
    return 2 * (this.#offset + slice.frameNum) - (slice.refIdc === 0 ? 1 : 0);
  }
}
