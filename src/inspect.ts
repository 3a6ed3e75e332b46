// Looks into recordings without keeping anything: with a mission file, what its frames or files tell; without one, finds the chain
// by itself (src/inspection) and counts over the whole recording what the chain that carries most brings.
import { RecordingError } from './errors.js';
import type { CfdpTransaction } from './inspection/cfdp-probe.js';
import { chainsOf, type FoundChain } from './inspection/chain-choice.js';
import { type ErrorRate, errorRate } from './inspection/error-rate.js';
import { guessMarker, type MarkerGuess } from './inspection/marker-guess.js';
import { type SearchResult, searchChain } from './inspection/search.js';
import { missionStub } from './inspection/stub.js';
import { Tape } from './inspection/tape.js';
import { countChain } from './inspection/whole-count.js';
import { openRecordings } from './intake/open-recordings.js';
import { isText } from './intake/recognise.js';
import type { Recording } from './intake/source.js';
import { feed } from './layers/feed.js';
import type { LayerCounts } from './layers/layer.js';
import { frameHeaderParser } from './mission/frame-fields.js';
import type { Mission } from './mission/mission.js';
import { fileLabel } from './mission/segmentation.js';
import { receive } from './segments/receive.js';
import type { SegmentStore } from './segments/run.js';

/** What the search found; numbers in `found` are of the excerpt looked at. */
export type InspectedChain = SearchResult & {
  /** Bytes that the search looked at, and where in the recording they begin. */
  readonly excerpt: { readonly at: number; readonly bytes: number };
  /** From the recording inwards; the one that carries most first. */
  readonly chains: readonly FoundChain[];
  /** Of the first chain, where it delivers files by the standard; of the whole recording, at most 64. Names as sent: untrusted. */
  readonly transactions: readonly CfdpTransaction[];
  /** A mission file to begin with; `undefined` where nothing was found. */
  readonly stub: string | undefined;
};

export type Inspection = {
  readonly station: string;
  readonly name: string;
  readonly container: string;
  readonly bytes: number;
  readonly startedAt: number | undefined;
  /** Of a capture: what reading it met. */
  readonly containerCounts?: LayerCounts;
  /** Over the whole recording: the mission's layers or, without a mission, those of the chain that carries most. */
  readonly layers: readonly { readonly layer: string; readonly counts: LayerCounts; readonly errors?: ErrorRate }[];
  /** With a mission: what its frames tell. */
  readonly frames?: {
    readonly intact: number;
    readonly damaged: number;
    /** First and last unwrapped counter of each stretch that goes up without a break. */
    readonly stretches: readonly { readonly first: number; readonly last: number; readonly frames: number }[];
    /** Frames by file number. */
    readonly files: Readonly<Record<string, number>>;
    /** The fields of the first intact frame, by name. */
    readonly example?: Readonly<Record<string, number>>;
  };
  /** Without a mission. */
  readonly chain?: InspectedChain;
  /** Without a mission, where no layer is proven: what repeats at a fixed distance all the same. */
  readonly marker?: MarkerGuess;
  readonly problem: RecordingError | undefined;
};

/** Excerpts that are searched one after the other while nothing is found: a recorder may begin with noise. */
const MAX_EXCERPTS = 4;

/** @param mission absent = find the chain */
export async function inspect(
  paths: readonly string[],
  mission?: Mission,
): Promise<{ inspections: Inspection[]; problems: RecordingError[] }> {
  const { recordings, problems } = await openRecordings(paths);
  const inspections: Inspection[] = [];
  for (const recording of recordings) {
    inspections.push(mission ? await inspectMission(recording, mission) : await inspectChain(recording));
  }
  return { inspections, problems };
}

async function inspectMission(recording: Recording, mission: Mission): Promise<Inspection> {
  const { frame } = mission;
  const parser = frame && frameHeaderParser(frame);
  let example: Record<string, number> | undefined;
  const store: SegmentStore = {
    store: (_file, _segments, _key, bytes, start) => {
      if (frame && parser)
        example ??= parser.parse(bytes.subarray(start - frame.payload.at, start - frame.payload.at + frame.length));
      return 0;
    },
  };
  const { recorder, bytes, layers, problem } = await receive(recording, mission, store);
  const stretches = recorder.stretchStarts.map((first) => ({ first, last: first, frames: 0 }));
  const files: Record<string, number> = {};
  for (const { stretch, counter, count, file } of recorder.runs) {
    const own = stretches[stretch]!;
    own.last = Math.max(own.last, counter + count - 1);
    own.frames += count;
    const label = fileLabel(mission, file);
    files[label] = (files[label] ?? 0) + count;
  }
  const { intactFrames: intact, damagedTotal: damaged } = recorder;
  const frames = { intact, damaged, stretches, files, ...(example && { example }) };
  const counted = layers.map(({ layer, counts }, i) => withErrors(layer, counts, mission.layers[i]?.options));
  return { ...about(recording), bytes, layers: counted, frames, problem };
}

async function inspectChain(recording: Recording): Promise<Inspection> {
  const { result, excerpt, tape } = await searchExcerpts(recording);
  const chains = chainsOf(result.found);
  const [best] = chains;
  const counter = countChain(best ?? { layers: [], content: 0, isWhole: false });
  const { bytes, problem } = await feed(recording, counter.input);
  const layers = counter.counts().map(({ layer, counts, options }) => withErrors(layer, counts, options));
  const marker = best || isText(tape.data) ? undefined : guessMarker(tape.data);
  const transactions = counter.transactions();
  const chain = { ...result, excerpt, chains, transactions, stub: missionStub(chains) };
  return { ...about(recording), bytes, layers, chain, ...(marker && { marker }), problem };
}

/** Searches the beginning of the recording and, while nothing is found there, what follows. */
async function searchExcerpts(
  recording: Recording,
): Promise<{ result: SearchResult; excerpt: InspectedChain['excerpt']; tape: Tape }> {
  let tape = new Tape();
  let at = 0;
  let best: { result: SearchResult; excerpt: InspectedChain['excerpt']; tape: Tape } | undefined;
  const search = (): boolean => {
    const result = searchChain(tape);
    const found = { result, excerpt: { at, bytes: tape.data.length }, tape };
    const isBetter = !best || result.found.length > 0;
    if (isBetter) best = found;
    return result.found.length > 0;
  };
  let excerpts = 0;
  try {
    for await (const block of recording.blocks()) {
      if (tape.isFull) {
        excerpts++;
        if (search() || excerpts === MAX_EXCERPTS) return best!;
        tape = new Tape();
        at = block.at;
      }
      if (block.gap) tape.gap();
      tape.push(block.bytes, 0, block.bytes.length, block.at, -1);
    }
  } catch (error) {
    // What came before is looked at; the count over the whole recording meets the error again and tells it.
    if (!(error instanceof RecordingError)) throw error;
  }
  search();
  return best!;
}

function withErrors(
  layer: string,
  counts: LayerCounts,
  options?: Readonly<Record<string, unknown>>,
): Inspection['layers'][number] {
  const errors = errorRate(layer, counts, options);
  return { layer, counts, ...(errors && { errors }) };
}

/** To be asked once the recording has been read: a capture counts while it is. */
function about(
  recording: Recording,
): Pick<Inspection, 'station' | 'name' | 'container' | 'startedAt' | 'containerCounts'> {
  const { station, name, container, startedAt } = recording;
  const containerCounts = recording.counts?.();
  return { station, name, container, startedAt, ...(containerCounts && { containerCounts }) };
}
