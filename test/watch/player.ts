// Plays the recordings of the Dotterel sample as their stations' recorders would have written them: growing files in the folders of a
// watched place. And runs `passweave watch` as a program of its own.
import { type ChildProcess, spawn } from 'node:child_process';
import { createHash } from 'node:crypto';
import { once } from 'node:events';
import fs from 'node:fs';
import os from 'node:os';
import path from 'node:path';
import { setTimeout as sleep } from 'node:timers/promises';
import { fileURLToPath } from 'node:url';
import { onTestFinished } from 'vitest';
import type { Coverage } from '../../src/coverage/coverage.js';
import { openRecordings } from '../../src/intake/open-recordings.js';
import { contents } from '../ledger/material.js';

const root = fileURLToPath(new URL('../..', import.meta.url));
export const sample: string = path.join(root, 'samples', 'dotterel');
export const missionFile: string = path.join(sample, 'mission.yaml');

/** A folder that goes when the test ends. */
export function scratchFolder(): string {
  const folder = fs.mkdtempSync(path.join(os.tmpdir(), 'passweave-watch-'));
  onTestFinished(() => fs.rmSync(folder, { recursive: true, force: true }));
  return folder;
}

export type Part = {
  readonly station: string;
  readonly name: string;
  readonly bytes: Buffer;
  readonly startedAt: number;
};

/** The recordings, containers undone, each in files of at most `chunkBytes`. */
export async function sampleParts(chunkBytes = 400_000): Promise<Part[]> {
  const parts: Part[] = [];
  for (const recording of (await openRecordings([path.join(sample, 'recordings')])).recordings) {
    const blocks: Buffer[] = [];
    for await (const { bytes } of recording.blocks()) blocks.push(Buffer.from(bytes));
    const all = Buffer.concat(blocks);
    const startedAt = recording.startedAt ?? 0;
    const stamp = `${new Date(startedAt).toISOString().slice(0, 19).replaceAll(/[-:]/g, '')}Z`;
    for (let at = 0, number = 1; at < all.length; at += chunkBytes, number++) {
      const name = `${recording.station}-${stamp}-${String(number).padStart(4, '0')}.bin`;
      parts.push({ station: recording.station, name, bytes: all.subarray(at, at + chunkBytes), startedAt });
    }
  }
  return parts;
}

/** Writes the parts into `folder`, each station's one after the other, `share(t)` of all bytes by then. */
export class Player {
  readonly #folder: string;
  readonly #stations: { parts: Part[]; written: number }[];

  constructor(folder: string, parts: readonly Part[]) {
    this.#folder = folder;
    const names = [...new Set(parts.map(({ station }) => station))];
    this.#stations = names.map((name) => ({ parts: parts.filter(({ station }) => station === name), written: 0 }));
  }

  get stations(): number {
    return this.#stations.length;
  }

  /** Bytes that are not written yet. */
  get left(): number {
    return this.#stations.reduce((sum, { parts, written }) => sum + bytesOf(parts) - written, 0);
  }

  /** Appends up to `bytes` to the present file of a station. */
  write(station: number, bytes: number): void {
    const own = this.#stations[station]!;
    let at = own.written;
    for (const part of own.parts) {
      if (at >= part.bytes.length) {
        at -= part.bytes.length;
        continue;
      }
      const piece = part.bytes.subarray(at, at + bytes);
      const file = path.join(this.#folder, part.station, part.name);
      fs.mkdirSync(path.dirname(file), { recursive: true });
      fs.appendFileSync(file, piece);
      own.written += piece.length;
      return;
    }
  }

  /** Writes everything at an even pace. */
  async play(seconds: number, signal?: AbortSignal): Promise<void> {
    const steps = Math.ceil(seconds * 5);
    for (let step = 0; step < steps && !signal?.aborted; step++) {
      this.#stations.forEach(({ parts, written }, i) => {
        const goal = Math.floor((bytesOf(parts) * (step + 1)) / steps);
        for (let left = goal - written; left > 0; left = goal - this.#stations[i]!.written) this.write(i, left);
      });
      await sleep(200);
    }
  }
}

function bytesOf(parts: readonly Part[]): number {
  return parts.reduce((sum, { bytes }) => sum + bytes.length, 0);
}

export class WatchProgram {
  readonly child: ChildProcess;
  stderr = '';
  stdout = '';
  readonly #exit: Promise<unknown[]>;

  constructor(...args: string[]) {
    this.child = spawn(process.execPath, [path.join(root, 'bin', 'passweave.js'), 'watch', ...args], {
      stdio: ['ignore', 'pipe', 'pipe'],
      env: { ...process.env, NO_COLOR: '1' },
    });
    this.child.stderr!.on('data', (text) => (this.stderr += text));
    this.child.stdout!.on('data', (text) => (this.stdout += text));
    this.#exit = once(this.child, 'exit');
    onTestFinished(() => void this.child.kill('SIGKILL'));
  }

  /** Waits for a line on stderr; gives its first group. */
  async says(pattern: RegExp): Promise<string> {
    for (let tries = 0; tries < 600; tries++) {
      const match = pattern.exec(this.stderr);
      if (match) return match[1] ?? match[0];
      if (this.child.exitCode !== null) break;
      await sleep(50);
    }
    throw new Error(`it never said ${pattern}: ${this.stderr}`);
  }

  async address(): Promise<string> {
    return this.says(/Live page: (\S+)/);
  }

  /** Its exit code, once it ends by itself. */
  get exited(): Promise<number | null> {
    return this.#exit.then(([code]) => code as number | null);
  }

  async end(signal: 'SIGINT' | 'SIGTERM' | 'SIGKILL' = 'SIGINT'): Promise<number | null> {
    this.child.kill(signal);
    return this.exited;
  }
}

export function readCoverage(out: string): Coverage {
  return JSON.parse(fs.readFileSync(path.join(out, 'coverage.json'), 'utf8')) as Coverage;
}

/**
 * All that must not depend on how the recordings came: coverage (but for the note that an unfinished record was cut off), recovered
 * files, and what the ledger says each recording heard.
 */
export function resultOf(out: string): unknown {
  const coverage = readCoverage(out);
  coverage.notes = coverage.notes.filter((note) => !note.includes('unfinished or damaged record'));
  const folders = ['files', 'partial', 'salvage', 'ledger/recordings', 'ledger/damaged', 'ledger/data'];
  return [coverage, ...folders.map((folder) => hashes(path.join(out, folder)))];
}

/** By name, so that what differs is told in few words. */
function hashes(folder: string): Record<string, string> {
  const entries = Object.entries(contents(folder));
  return Object.fromEntries(entries.map(([name, text]) => [name, createHash('sha1').update(text).digest('hex')]));
}
