// What the page and the terminal show of a watch: counts at every turn, pictures as they are drawn beside it.
import os from 'node:os';
import { type CountedFiles, countCampaign, recountFiles } from '../coverage/build-coverage.js';
import { FileOutputs } from '../coverage/file-outputs.js';
import { OutputFolder } from '../files/output-folder.js';
import type { Ledger } from '../ledger/ledger.js';
import { findFfmpeg, type Tools } from '../media/ffmpeg.js';
import { type OutputOptions, writeReports } from '../recover.js';
import { repeatsMarkup } from '../report/html.js';
import { documentChanges } from '../report/make-document.js';
import type { Report } from '../report/model.js';
import { packDocument } from '../report/pack-document.js';
import type { LiveState } from '../report/page-document.js';
import { VERSION } from '../report/version.js';
import type { DatagramRecorder } from './datagram-recorder.js';
import type { LiveServer } from './live-server.js';
import type { WatchedIntake } from './watched-intake.js';

/** From one full count to the next, in times of what it took; less where there are files that it did not find. */
const BETWEEN_FULL = 3;
const BETWEEN_FULL_FOR_NEW = 1;
/** With more segments, estimating the repeats takes more than seconds: `passweave repeats` tells them. */
const MOST_ESTIMATED = 100_000;

export type WatchState = LiveState & { readonly report: Report | undefined; readonly notes: readonly string[] };

export type LiveViewsOptions = OutputOptions & {
  readonly out: string;
  readonly onState?: (state: WatchState) => void;
};

/** What is shown, and where it comes from. */
export type Watched = {
  readonly ledger: Ledger;
  readonly server: LiveServer;
  readonly intake: WatchedIntake;
  readonly recorders: readonly DatagramRecorder[];
};

export class LiveViews {
  readonly #watched: Watched;
  readonly #options: LiveViewsOptions;
  readonly #folder: OutputFolder;
  readonly #tools: Tools | null;
  readonly #outputs: FileOutputs;
  #report: Report | undefined;
  /** What the last full count found, and how many files there were. */
  #counted: (CountedFiles & { readonly stored: number }) | undefined;
  /** The last full count: when it ended, by `performance.now()`, and how long it took. */
  #full = { endedAt: 0, milliseconds: 0 };
  #told = '';

  static async open(watched: Watched, options: LiveViewsOptions): Promise<LiveViews> {
    return new LiveViews(watched, options, await findFfmpeg(options));
  }

  private constructor(watched: Watched, options: LiveViewsOptions, tools: Tools | null) {
    const { out, conceal = false, damagedFrames = 'marked', workers } = options;
    this.#watched = watched;
    this.#options = options;
    this.#folder = new OutputFolder(out);
    this.#tools = tools;
    // A core is left for what comes in.
    const threads = workers ?? Math.max(1, os.availableParallelism() - 1);
    const show = { conceal, damagedFrames };
    this.#outputs = new FileOutputs(watched.ledger.folder, this.#folder, { tools, show, threads });
  }

  /**
   * Counts, and has drawn what is due. Where counting everything takes long, the files alone are counted in between.
   *
   * @returns whether something waits: to be drawn, or for the next full count
   */
  async draw(): Promise<boolean> {
    const { ledger, intake, server } = this.#watched;
    const began = performance.now();
    const before = this.#report;
    const counted = this.#counted;
    const times = counted?.stored === ledger.files.size ? BETWEEN_FULL : BETWEEN_FULL_FOR_NEW;
    const isFullDue = began >= this.#full.endedAt + times * this.#full.milliseconds;
    if (before && counted && !isFullDue) {
      const report = { ...before, ...(await recountFiles(before, counted, this.#outputs)) };
      server.change(report, documentChanges(report, before), this.#state());
      this.#report = report;
      this.#tellAnew();
      return true;
    }
    ledger.commit();
    intake.show();
    const making = { isBeside: true };
    const { campaign, counted: files } = await countCampaign(ledger, this.#tools, this.#outputs, making);
    this.#counted = { ...files, stored: ledger.files.size };
    const repeats = before?.repeats;
    this.#show({ ...campaign, ...(repeats && { repeats }), madeBy: `passweave ${VERSION}` });
    const endedAt = performance.now();
    this.#full = { endedAt, milliseconds: endedAt - began };
    return this.#outputs.waiting > 0;
  }

  /** Draws what is not drawn yet and writes the reports. @param until by `performance.now()`, for drawing */
  async settle(until: number = Number.POSITIVE_INFINITY): Promise<Report> {
    const { ledger, intake } = this.#watched;
    ledger.commit();
    intake.show();
    this.#counted = undefined;
    const isSmall = (this.#report?.coverage.totals.segments.total ?? 0) <= MOST_ESTIMATED;
    const options = { ...this.#options, repeats: isSmall && this.#options.repeats === true };
    const report = await writeReports(ledger, options.out, options, { outputs: this.#outputs, until });
    this.#show(report);
    return report;
  }

  /** Files that changed since they were drawn. */
  get undrawn(): number {
    return this.#outputs.waiting;
  }

  /** Tells how things stand, where that has changed. */
  tell(): void {
    const state = this.#state();
    const { at: _, ...rest } = state;
    const told = JSON.stringify(rest);
    if (told === this.#told) return;
    this.#told = told;
    this.#watched.server.showState(state);
    const notes = this.#watched.recorders.flatMap(({ note }) => note ?? []);
    this.#options.onState?.({ ...state, report: this.#report, notes });
  }

  /** Gives up what is being drawn. */
  async close(): Promise<void> {
    await this.#outputs.close();
  }

  #show(report: Report): void {
    this.#report = report;
    const document = packDocument(report, repeatsMarkup(report)?.markup ?? null);
    this.#watched.server.show(report, document, this.#state());
    this.#tellAnew();
  }

  #tellAnew(): void {
    this.#told = '';
    this.tell();
  }

  #state(): LiveState {
    const { intake, recorders } = this.#watched;
    const counts = recorders.map((recorder) => recorder.counts);
    const sum = (of: (count: (typeof counts)[number]) => number): number =>
      counts.reduce((all, own) => all + of(own), 0);
    const datagrams = { received: sum((own) => own.datagrams), lost: sum((own) => own.dropped + own.systemDropped) };
    return { at: Date.now(), ...intake.counts, datagrams: counts.length > 0 ? datagrams : null };
  }
}
