// Watching a pass: recordings are taken in as they appear and grow, datagrams are recorded, and a page shows at any time what is there.
// One round after the other: take in, then count. Recording datagrams and drawing are the work of other threads; what a round does not
// get to waits on disk.
import fs from 'node:fs';
import path from 'node:path';
import { setTimeout as sleep } from 'node:timers/promises';
import { UsageError } from '../errors.js';
import { Ledger } from '../ledger/ledger.js';
import { type Outcome, type OutputOptions, readMission } from '../recover.js';
import { readDatagramUrl } from './datagram-address.js';
import { checkStationFolder, DatagramRecorder } from './datagram-recorder.js';
import type { ListenAddress } from './live-access.js';
import { LiveServer } from './live-server.js';
import { LiveViews, type WatchState } from './live-views.js';
import { isWithin, WatchedFiles } from './watched-files.js';
import { WatchedIntake } from './watched-intake.js';

export type WatchOptions = OutputOptions & {
  /** Files, folders, or `udp://HOST:PORT`. */
  readonly inputs: readonly string[];
  /** Of which the user names the station. */
  readonly stations?: readonly { readonly name: string; readonly path: string }[];
  /** Path of the mission file. */
  readonly mission: string;
  /** Output folder; its ledger is added to. */
  readonly out: string;
  /** Where the page is served. Default a free port of 127.0.0.1. */
  readonly listen?: ListenAddress;
  /** A plain recording that has not grown for so long is written down as finished. Default `DEFAULT_QUIET_SECONDS`, or two rotations. */
  readonly quietSeconds?: number;
  /** Ends the watch: what is there is taken in, what can be drawn in `endSeconds` is drawn, and the reports are written. */
  readonly signal: AbortSignal;
  /** Default 3; what is not drawn by then is for `reportAgain`. */
  readonly endSeconds?: number;
  /** Told the page's address, with the key where one is needed, once it is there; and on which ports datagrams are awaited. */
  readonly onStart?: (address: string, ports: readonly number[]) => void;
  /** Told how things stand, about twice a second while something changes. */
  readonly onState?: (state: WatchState) => void;
};

const DEFAULT_QUIET_SECONDS = 30;
const POLL_MS = 300;
/** Of a round, for taking in: a page that is open sees what was taken in meanwhile. */
const INTAKE_MS = 400;
const BETWEEN_COUNTS_MS = 250;
const END_SECONDS = 3;
/** With nothing new for so long, and everything drawn, the reports are written. */
const CALM_MS = 5_000;

export type WatchOutcome = Outcome & {
  /** Files that are not drawn as far as they are there: there was no time. */
  readonly undrawn: number;
};

/**
 * Watches until `signal` ends it.
 *
 * @throws UsageError, MissionFileError or LedgerError when nothing could be started
 */
export async function watch(options: WatchOptions): Promise<WatchOutcome> {
  const { out, signal, listen = { host: '127.0.0.1', port: 0 } } = options;
  const mission = readMission(options.mission);
  const { places, sockets } = readInputs(options);
  const ledger = Ledger.open(path.join(out, 'ledger'), { mission });
  const server = new LiveServer(out, listen.host);
  const recorders: DatagramRecorder[] = [];
  let views: LiveViews | undefined;
  try {
    for (const socket of sockets) {
      fs.mkdirSync(socket.folder, { recursive: true });
      const recorder = new DatagramRecorder(socket);
      recorders.push(recorder);
      await recorder.start();
    }
    const address = await server.listen(listen);
    options.onStart?.(
      address,
      recorders.map(({ port }) => port),
    );
    const { rotationSeconds = 0 } = ledger.mission.downlink;
    const quiet = options.quietSeconds ?? Math.max(DEFAULT_QUIET_SECONDS, 2 * rotationSeconds);
    const book = { ledger, finished: new Set<string>() };
    const intake = new WatchedIntake(new WatchedFiles(places), book, quiet * 1000);
    views = await LiveViews.open({ ledger, server, intake, recorders }, options);
    await goOn(intake, views, signal);
    while (recorders.length > 0) await recorders.pop()!.stop();
    await intake.round(Number.POSITIVE_INFINITY, true);
    const report = await views.settle(performance.now() + 1000 * (options.endSeconds ?? END_SECONDS));
    const recordings = { read: intake.counts.recordings, known: 0 };
    return { report, problems: intake.problems, recordings, undrawn: views.undrawn };
  } finally {
    await views?.close();
    await Promise.all(recorders.map((recorder) => recorder.stop()));
    await server.close();
    ledger.close();
  }
}

async function goOn(intake: WatchedIntake, views: LiveViews, signal: AbortSignal): Promise<void> {
  let isDirty = true;
  let isUnsettled = true;
  let changedAt = performance.now();
  let nextCountsAt = 0;
  while (!signal.aborted) {
    const began = performance.now();
    const { hasChanged, hasMore } = await intake.round(INTAKE_MS);
    const looked = performance.now() - began;
    if (hasChanged) {
      isDirty = true;
      isUnsettled = true;
      changedAt = performance.now();
    }
    if (signal.aborted) return;
    if (isDirty && performance.now() >= nextCountsAt) {
      nextCountsAt = performance.now() + BETWEEN_COUNTS_MS;
      isDirty = await views.draw();
    } else if (isUnsettled && !isDirty && performance.now() - changedAt >= CALM_MS) {
      await views.settle();
      isUnsettled = false;
    } else views.tell();
    // Looking at very many files takes its time: at most half of all.
    const wait = hasMore ? 0 : Math.max(POLL_MS - (performance.now() - began), looked);
    await sleep(wait, undefined, { signal }).catch(() => undefined);
  }
}

/** Places and sockets among the inputs. @throws UsageError */
function readInputs({ inputs, stations = [], out }: WatchOptions): {
  places: { paths: string[]; stations: { name: string; path: string }[] };
  sockets: { host: string; port: number; folder: string; station?: string }[];
} {
  const received = path.join(out, 'received');
  const paths: string[] = [];
  const named: { name: string; path: string }[] = [];
  const sockets: { host: string; port: number; folder: string; station?: string }[] = [];
  for (const input of inputs) {
    const socket = readDatagramUrl(input);
    if (socket) sockets.push({ ...socket, folder: received });
    else paths.push(input);
  }
  for (const station of stations) {
    const socket = readDatagramUrl(station.path);
    if (!socket) named.push(station);
    else {
      checkStationFolder(station.name);
      sockets.push({ ...socket, folder: received, station: station.name });
    }
  }
  if (paths.length + named.length + sockets.length === 0)
    throw new UsageError('name a folder, a file or udp://HOST:PORT to watch');
  for (const place of [...paths, ...named.map((station) => station.path)]) {
    if (!fs.existsSync(place)) throw new UsageError(`${place}: there is no such file or folder to watch`);
    if (isWithin(out, place)) throw new UsageError(`${place}: the output folder lies in it; choose another --out`);
  }
  if (sockets.length > 0) paths.push(received);
  return { places: { paths, stations: named }, sockets };
}
