// One station through a campaign: what reaches it, one recorder after the other, and what it hands in at the end.
import { join, relative, sep } from 'node:path';
import type { Beam } from './beam.js';
import { Channel, damageDataField } from './channel.js';
import { ChunkWriter, packStation, utcStamp } from './packaging.js';
import { type Random, seededRandom } from './random.js';
import { type Framing, Recorder } from './recorder.js';
import type { StationPlan } from './stations.js';
import type { StationAccount, TruthRecording } from './truth.js';

export type Surroundings = {
  readonly beam: Beam | undefined;
  readonly framing: Framing;
  readonly seed: number;
  readonly startedAt: number;
  readonly recordingsDir: string;
  readonly bytesPerSecond: number;
};

export class StationSession {
  readonly #plan: StationPlan;
  readonly #around: Surroundings;
  readonly #channel: Channel;
  readonly #damage: Random;
  readonly #folder: string;
  readonly #sessions: readonly { readonly start: number; readonly end: number }[];
  /** Index of the session that runs, or of the next one. */
  #session = 0;
  #running: { recorder: Recorder; chunks: ChunkWriter } | undefined;
  readonly #counts = { sent: 0, lost: 0, damaged: 0 };
  readonly #recordings: TruthRecording[] = [];
  readonly #spans: number[][] = [];

  constructor(plan: StationPlan, around: Surroundings) {
    this.#plan = plan;
    this.#around = around;
    this.#channel = new Channel(plan.link, around.beam, seededRandom(around.seed, `${plan.name}/channel`));
    this.#damage = seededRandom(around.seed, `${plan.name}/damage`);
    this.#folder = join(around.recordingsDir, plan.name);
    this.#sessions = plan.recorder.sessions ?? [plan.link.pass];
  }

  hear(number: number, seconds: number, record: Uint8Array): void {
    const { pass } = this.#plan.link;
    if (seconds < pass.start || seconds >= pass.end) return;
    while (this.#session < this.#sessions.length && seconds >= this.#sessions[this.#session]!.end) this.#stop();
    const fate = this.#channel.fate(seconds);
    this.#counts.sent += 1;
    if (fate === 'lost') {
      this.#counts.lost += 1;
      return;
    }
    const session = this.#sessions[this.#session];
    if (session === undefined || seconds < session.start) return;
    this.#running ??= this.#start();
    if (fate === 'intact') {
      this.#running.recorder.hear(number, record, []);
      return;
    }
    this.#counts.damaged += 1;
    const copy = record.slice();
    this.#running.recorder.hear(number, copy, damageDataField(copy, this.#around.framing.headerBytes, this.#damage));
  }

  /** Ends the last session and packs what the station hands in. */
  async finish(outDir: string): Promise<StationAccount> {
    this.#stop();
    const paths = this.#recordings.flatMap(({ files }) => files);
    const packed = await packStation(
      this.#plan.recorder.packaging,
      this.#folder,
      paths,
      this.#clockAt(this.#plan.link.pass.start),
      {
        startedAt: this.#recordings.flatMap(({ files, stampedAt }) => files.map(() => Date.parse(stampedAt))),
        bytesPerSecond: this.#around.bytesPerSecond,
      },
    );
    const shown = new Map(paths.map((path, index) => [path, relative(outDir, packed[index]!).split(sep).join('/')]));
    const recordings = this.#recordings.map((log) => ({ ...log, files: log.files.map((path) => shown.get(path)!) }));
    return { name: this.#plan.name, channel: this.#counts, recordings, spans: this.#spans };
  }

  /** What the station's clock shows so many seconds into the campaign, milliseconds since 1970 UTC. */
  #clockAt(seconds: number): number {
    return this.#around.startedAt + 1000 * (seconds + this.#plan.recorder.clockErrorSeconds);
  }

  #start(): { recorder: Recorder; chunks: ChunkWriter } {
    const { name, recorder } = this.#plan;
    const base = join(this.#folder, `${name}-${utcStamp(this.#clockAt(this.#sessions[this.#session]!.start))}`);
    const chunks = new ChunkWriter(base, recorder.chunkBytes);
    const random = seededRandom(this.#around.seed, `${name}/recorder/${this.#session}`);
    return { recorder: new Recorder(this.#around.framing, recorder, random, (bytes) => chunks.write(bytes)), chunks };
  }

  #stop(): void {
    const { recorder, chunks } = this.#running ?? {};
    if (recorder && chunks) {
      recorder.stop();
      chunks.close();
      this.#spans.push(recorder.spans);
      const { start } = this.#sessions[this.#session]!;
      this.#recordings.push({
        files: chunks.paths,
        startedAt: new Date(this.#around.startedAt + 1000 * start).toISOString(),
        stampedAt: new Date(this.#clockAt(start)).toISOString(),
        ...recorder.log,
      });
    }
    this.#running = undefined;
    this.#session += 1;
  }
}
