// Recordings from packet captures: one pass finds the flows, then each flow is a recording whose bytes are its payloads in order.
// Files that a recorder split by size are read as one capture.
import path from 'node:path';
import { RecordingError } from '../errors.js';
import { BlockGatherer } from './capture-blocks.js';
import { CaptureFlows, type FlowSink } from './capture-flows.js';
import type { PacketSink } from './capture-parser.js';
import type { Intake, Part } from './part.js';
import { PcapParser } from './pcap.js';
import { PcapngParser } from './pcapng.js';
import { RtpReceiver } from './rtp-receiver.js';
import { RtpVote } from './rtp-vote.js';
import type { Block, Recording } from './source.js';
import { printable } from './station-name.js';
import { readUtcStamp } from './utc-stamp.js';

const MAX_PATH = 4096;
/** Flows that the pass keeps an eye on; of more, those with fewer bytes are forgotten. */
const MAX_WATCHED = 4096;

type Flow = {
  readonly name: string;
  bytes: number;
  /** Ms since 1970 UTC; NaN where the capture does not tell. */
  readonly startedAt: number;
  readonly vote: RtpVote;
};

class FlowSurvey implements FlowSink {
  readonly #flows = new Map<string, Flow>();

  payload(name: string, bytes: Uint8Array, start: number, end: number, time: number): void {
    let flow = this.#flows.get(name);
    if (!flow) {
      if (this.#flows.size === MAX_WATCHED)
        for (const small of this.largest(MAX_WATCHED).slice(MAX_WATCHED / 2)) this.#flows.delete(small.name);
      flow = { name, bytes: 0, startedAt: time, vote: new RtpVote() };
      this.#flows.set(name, flow);
    }
    flow.bytes += end - start;
    flow.vote.add(bytes, start, end);
  }

  lost(): void {}

  /** The `count` flows with the most bytes, the largest first. */
  largest(count: number): Flow[] {
    return [...this.#flows.values()].sort((a, b) => b.bytes - a.bytes).slice(0, count);
  }

  /** In the order in which they began. */
  flows(count: number): Flow[] {
    const chosen = new Set(this.largest(count));
    return [...this.#flows.values()].filter((flow) => chosen.has(flow));
  }
}

/** Reads the packets of all parts into `sink`; yields after every block of the files. */
async function* readPackets(
  parts: readonly Part[],
  blockBytes: number,
  sink: PacketSink,
  onRead?: Intake['onRead'],
): AsyncGenerator<void, void, undefined> {
  const buffer = new Uint8Array(blockBytes);
  for (const part of parts) {
    const parser = part.capture === 'pcapng' ? new PcapngParser(sink) : new PcapParser(sink);
    try {
      for await (const bytes of part.read(buffer, onRead)) {
        parser.push(bytes);
        yield;
      }
    } finally {
      parser.end();
    }
  }
}

type OpenedFlows = { readonly recordings: Recording[]; readonly problems: RecordingError[] };

/**
 * Opens the capture in `parts`, one or more.
 *
 * @returns its flows, each a recording; the `intake.limits.flows` largest, in the order in which they began
 * @throws RecordingError where there are none, or nothing can be read
 */
export async function openCapture(station: string, parts: readonly Part[], intake: Intake): Promise<OpenedFlows> {
  const survey = new FlowSurvey();
  const packets = new CaptureFlows(survey, { checksums: false });
  const [first, last] = [parts[0]!, parts.at(-1)!];
  const name = printable(first === last ? first.name : `${first.name} to ${path.basename(last.name)}`, MAX_PATH);
  let problem: RecordingError | undefined;
  try {
    for await (const _ of readPackets(parts, intake.blockBytes, packets));
  } catch (error) {
    if (!(error instanceof RecordingError)) throw error;
    problem = error;
  }
  const flows = survey.flows(intake.limits.flows);
  if (flows.length === 0) throw problem ?? noFlow(name, packets);
  const recordings = flows.map((flow) => flowRecording(station, `${name}, ${flow.name}`, flow, parts, intake));
  // Damage is met again by whoever reads a flow, after what came before it; a disk may well read the second time.
  return { recordings, problems: problem?.code === 'unreadable' ? [problem] : [] };
}

function noFlow(name: string, packets: CaptureFlows): RecordingError {
  const { captured, shortened } = packets.counts();
  const linkTypes = [...packets.otherLinkTypes].slice(0, 8).join(', ');
  const details = [
    `found ${captured} packets and none to use`,
    ...(shortened ? [`${shortened} were captured without their ends: capture again with a longer snap length`] : []),
    ...(linkTypes ? [`link types without IP: ${linkTypes}`] : []),
  ];
  return new RecordingError(
    'empty',
    name,
    undefined,
    `expected a capture with UDP datagrams or a user link type, ${details.join('; ')}`,
  );
}

function flowRecording(station: string, name: string, flow: Flow, parts: readonly Part[], intake: Intake): Recording {
  let counts = (): Record<string, number> => ({});

  async function* blocks(): AsyncGenerator<Block, void, undefined> {
    const gatherer = new BlockGatherer(intake.blockBytes);
    const rtp = flow.vote.isRtp ? new RtpReceiver(gatherer) : undefined;
    const target = rtp ?? gatherer;
    const packets = new CaptureFlows(
      {
        payload: (of, bytes, start, end, time) => {
          if (of === flow.name) target.payload(bytes, start, end, time);
        },
        lost: (of) => {
          if (of === undefined || of === flow.name) target.gap();
        },
      },
      { checksums: true },
    );
    counts = () => ({ ...packets.counts(), ...rtp?.counts() });
    let problem: unknown;
    try {
      for await (const _ of readPackets(parts, intake.blockBytes, packets, intake.onRead)) yield* gatherer.take(false);
    } catch (error) {
      problem = error;
    }
    packets.end();
    rtp?.end();
    yield* gatherer.take(true);
    if (problem) throw problem;
  }

  return {
    station,
    name,
    container: 'capture',
    storedBytes: parts.reduce((sum, part) => sum + part.storedBytes, 0),
    startedAt: Number.isNaN(flow.startedAt) ? readUtcStamp(path.basename(parts[0]!.name)) : flow.startedAt,
    blocks,
    locate: (at) => ({ file: name, offset: at }),
    counts: () => counts(),
  };
}
