// Runs the built command line as a user would: a process of its own, its output and its exit code.
import { spawnSync } from 'node:child_process';
import { fileURLToPath } from 'node:url';

const program = fileURLToPath(new URL('../../bin/passweave.js', import.meta.url));

export type Result = { code: number | null; stdout: string; stderr: string };

export function passweave(...args: string[]): Result {
  return passweaveWith({}, ...args);
}

/** With further environment variables. */
export function passweaveWith(env: Readonly<Record<string, string>>, ...args: string[]): Result {
  const { status, stdout, stderr } = spawnSync(process.execPath, [program, ...args], {
    encoding: 'utf8',
    env: { ...process.env, NO_COLOR: '1', ...env },
    timeout: 60_000,
  });
  return { code: status, stdout, stderr };
}

/** The lines of `stderr` that tell a problem, without the plain progress lines. */
export function problemLines({ stderr }: Result): string[] {
  return stderr.split('\n').filter((line) => line.startsWith('passweave: '));
}
