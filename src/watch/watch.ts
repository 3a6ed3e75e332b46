// Watching a pass: recordings are taken in as they appear and grow, datagrams are recorded, and a page shows at any time what is there.
// One round after the other: take in, then count and draw, so that what is drawn holds still meanwhile. Recording datagrams is the
// work of threads that do nothing else, and what a round does not get to waits on disk.
import fs from 'node:fs';
import path from 'node:path';
import { setTimeout as sleep } from 'node:timers/promises';
import { buildCoverage } from '../coverage/build-coverage.js';
import { UsageError } from '../errors.js';
import { OutputFolder } from '../files/output-folder.js';
import { Ledger } from '../ledger/ledger.js';
import { findFfmpeg } from '../media/ffmpeg.js';
import { type Outcome, type OutputOptions, readMission, writeReports } from '../recover.js';
import { repeatsMarkup } from '../report/html.js';
import type { Report } from '../report/model.js';
import { packDocument } from '../report/pack-document.js';
import type { LiveState } from '../report/page-document.js';
import { VERSION } from '../version.js';
import { checkStationFolder, DatagramRecorder, readDatagramUrl } from './datagram-recorder.js';
import { DrawingPace } from './drawing-pace.js';
import type { ListenAddress } from './live-access.js';
import { LiveServer } from './live-server.js';
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
  /** Ends the watch: what is there is taken in, and the reports are written. */
  readonly signal: AbortSignal;
  /** Told the page's address, with the key where one is needed, once it is there; and on which ports datagrams are awaited. */
  readonly onStart?: (address: string, ports: readonly number[]) => void;
  /** Told how things stand, about twice a second while something changes. */
  readonly onState?: (state: WatchState) => void;
};

export type WatchState = LiveState & { readonly report: Report | undefined; readonly notes: readonly string[] };

const DEFAULT_QUIET_SECONDS = 30;
const POLL_MS = 500;
/** Of a round, for taking in: a page that is open sees what was taken in meanwhile. */
const INTAKE_MS = 400;
const BETWEEN_PICTURES_MS = 500;
/** With nothing new for so long, everything that waited is drawn and the reports are written. */
const CALM_MS = 5_000;

/**
 * Watches until `signal` ends it.
 *
 * @throws UsageError, MissionFileError or LedgerError when nothing could be started
 */
export async function watch(options: WatchOptions): Promise<Outcome> {
  const { out, signal, listen = { host: '127.0.0.1', port: 0 } } = options;
  const mission = readMission(options.mission);
  const { places, sockets } = readInputs(options);
  const ledger = Ledger.open(path.join(out, 'ledger'), { mission });
  const server = new LiveServer(out, listen.host);
  const recorders: DatagramRecorder[] = [];
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
    const views = new Views(ledger, server, intake, recorders, options);
    await views.start();
    await goOn(intake, views, signal);
    while (recorders.length > 0) await recorders.pop()!.stop();
    await intake.round(Number.POSITIVE_INFINITY, true);
    const report = await views.settle();
    return { report, problems: intake.problems, recordings: { read: intake.counts.recordings, known: 0 } };
  } finally {
    await Promise.all(recorders.map((recorder) => recorder.stop()));
    await server.close();
    ledger.close();
  }
}

async function goOn(intake: WatchedIntake, views: Views, signal: AbortSignal): Promise<void> {
  let isDirty = true;
  let isUnsettled = true;
  let changedAt = performance.now();
  let nextPicturesAt = 0;
  while (!signal.aborted) {
    const began = performance.now();
    const { hasChanged, hasMore } = await intake.round(INTAKE_MS);
    if (hasChanged) {
      isDirty = true;
      isUnsettled = true;
      changedAt = performance.now();
    }
    if (signal.aborted) return;
    if (isDirty && performance.now() >= nextPicturesAt) {
      const drawing = performance.now();
      isDirty = await views.draw();
      nextPicturesAt = drawing + Math.max(BETWEEN_PICTURES_MS, 2 * (performance.now() - drawing));
    } else if (isUnsettled && performance.now() - changedAt >= CALM_MS) {
      await views.settle();
      isUnsettled = false;
    } else views.tell();
    // Looking at very many files takes its time: at most a third of all.
    const wait = hasMore ? 0 : Math.max(POLL_MS - (performance.now() - began), 0);
    await sleep(wait, undefined, { signal }).catch(() => undefined);
  }
}

/** What the page and the terminal show. */
class Views {
  readonly #ledger: Ledger;
  readonly #server: LiveServer;
  readonly #intake: WatchedIntake;
  readonly #recorders: readonly DatagramRecorder[];
  readonly #options: WatchOptions;
  readonly #folder: OutputFolder;
  readonly #pace = new DrawingPace();
  #tools: Awaited<ReturnType<typeof findFfmpeg>> = null;
  #report: Report | undefined;
  #told = '';

  constructor(
    ledger: Ledger,
    server: LiveServer,
    intake: WatchedIntake,
    recorders: readonly DatagramRecorder[],
    options: WatchOptions,
  ) {
    this.#ledger = ledger;
    this.#server = server;
    this.#intake = intake;
    this.#recorders = recorders;
    this.#options = options;
    this.#folder = new OutputFolder(options.out);
  }

  async start(): Promise<void> {
    const { ffmpegPath, ffprobePath } = this.#options;
    this.#tools = await findFfmpeg({ ...(ffmpegPath && { ffmpegPath }), ...(ffprobePath && { ffprobePath }) });
  }

  /** Counts, and draws what is due. @returns whether something was left for later */
  async draw(): Promise<boolean> {
    const { conceal = false, damagedFrames = 'marked' } = this.#options;
    this.#ledger.commit();
    this.#intake.show();
    this.#pace.isBehind = false;
    const show = { conceal, damagedFrames };
    const campaign = await buildCoverage(this.#ledger, this.#folder, this.#tools, undefined, show, this.#pace);
    const repeats = this.#report?.repeats;
    this.#show({ ...campaign, ...(repeats && { repeats }), madeBy: `passweave ${VERSION}` });
    return this.#pace.isBehind;
  }

  /** Draws everything and writes the reports. */
  async settle(): Promise<Report> {
    this.#ledger.commit();
    this.#intake.show();
    const report = await writeReports(this.#ledger, this.#options.out, this.#options);
    this.#show(report);
    return report;
  }

  /** Tells how things stand, where that has changed. */
  tell(): void {
    const state = this.#state();
    const { at: _, ...rest } = state;
    const told = JSON.stringify(rest);
    if (told === this.#told) return;
    this.#told = told;
    this.#server.showState(state);
    this.#options.onState?.({ ...state, report: this.#report, notes: this.#notes() });
  }

  #show(report: Report): void {
    this.#report = report;
    this.#server.show(report, packDocument(report, repeatsMarkup(report)?.markup ?? null), this.#state());
    this.#told = '';
    this.tell();
  }

  #state(): LiveState {
    const counts = this.#recorders.map((recorder) => recorder.counts);
    const sum = (of: (count: (typeof counts)[number]) => number): number =>
      counts.reduce((all, own) => all + of(own), 0);
    const datagrams = { received: sum((own) => own.datagrams), lost: sum((own) => own.dropped + own.systemDropped) };
    return { at: Date.now(), ...this.#intake.counts, datagrams: counts.length > 0 ? datagrams : null };
  }

  #notes(): string[] {
    return this.#recorders.flatMap(({ note }) => note ?? []);
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
