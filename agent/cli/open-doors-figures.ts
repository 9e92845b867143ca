/**
 * Averages and records for the open doors, made by the desk's own commands in a process apart: what somebody asks for costs
 * the collector neither time nor memory, and ends at a limit.
 */
import { spawn, type ChildProcess } from 'node:child_process'
import { join } from 'node:path'
import type { Readable } from 'node:stream'
import { problem, type HttpAnswer } from '../hardware/http-server.js'
import { subfolders } from './subfolders.js'

export interface FigureLimits {
  /** Processes at one time; further askers are told to come again. */
  readonly atOnce: number
  readonly seconds: number
}

export const usualFigures: FigureLimits = { atOnce: 2, seconds: 60 }

/** What runs `motepost`: node and the script. */
export type Program = readonly [command: string, ...args: string[]]

export class FigureDoor {
  private readonly running = new Set<ChildProcess>()

  constructor(
    private readonly archive: string,
    private readonly program: Program,
    private readonly limits: FigureLimits,
  ) {}

  averages(station: string, query: URLSearchParams): Promise<HttpAnswer> {
    const wrong = unknownKey(query, ['store', ...spanKeys])
    if (wrong) return Promise.resolve(wrong)
    return this.answer(station, query, ['averages', '--json'], 'application/json')
  }

  records(station: string, query: URLSearchParams): Promise<HttpAnswer> {
    const of = query.get('of') ?? 'minutes'
    const format = query.get('format') ?? 'csv'
    const wrong = unknownKey(query, ['store', 'of', 'format', ...spanKeys]) ?? unknownWords(of, format)
    if (wrong) return Promise.resolve(wrong)
    const type = format === 'csv' ? 'text/csv; charset=utf-8; header=present' : 'application/senml+json'
    return this.answer(station, query, ['export', '--of', of, '--format', format], type)
  }

  close(): void {
    for (const child of this.running) child.kill('SIGKILL')
  }

  private async answer(
    station: string,
    query: URLSearchParams,
    words: readonly string[],
    type: string,
  ): Promise<HttpAnswer> {
    const store = this.storeOf(station, query.get('store'))
    if (typeof store !== 'string') return store
    if (this.running.size >= this.limits.atOnce)
      return { ...problem(503, 'others are being answered'), headers: { 'Retry-After': '5' } }
    const span = spanKeys.flatMap((key) => query.getAll(key).map((value) => `--${key}=${value}`))
    const [command, ...args] = this.program
    const child = spawn(command, [...args, ...words, '--store', store, ...span], {
      stdio: ['ignore', 'pipe', 'pipe'],
      env: { PATH: process.env.PATH },
    })
    this.running.add(child)
    const limit = setTimeout(() => child.kill('SIGKILL'), this.limits.seconds * 1000)
    child.once('close', () => {
      clearTimeout(limit)
      this.running.delete(child)
    })
    return firstWord(child, type)
  }

  /** A folder of the archive, by names that were found there and not by what was asked. */
  private storeOf(station: string, asked: string | null): string | HttpAnswer {
    const stores = subfolders(join(this.archive, station))
    const meant = asked === null ? stores : stores.filter((id) => id === asked)
    if (meant.length === 1) return join(this.archive, station, meant[0])
    if (stores.length === 0) return problem(404, `nothing of ${station} is in the archive`)
    return problem(400, `${station} has ${stores.length} stores; say which by store=: ${stores.join(', ')}`)
  }
}

const spanKeys = ['from', 'to', 'channel', 'zone'] as const

const longestValue = 400

/** Values become arguments of a program: one line of text each, and not one that no program can be given. */
function unknownKey(query: URLSearchParams, known: readonly string[]): HttpAnswer | undefined {
  const wrong = [...query.keys()].find((key) => !known.includes(key))
  if (wrong !== undefined) return problem(400, `unknown: ${wrong}; there are ${known.join(', ')}`)
  const odd = [...query].find(([, value]) => value.length > longestValue || /\p{Cc}/u.test(value))
  return odd && problem(400, `${odd[0]}: expected one line of at most ${longestValue} characters`)
}

function unknownWords(of: string, format: string): HttpAnswer | undefined {
  if (!['minutes', 'hours', 'days'].includes(of)) return problem(400, 'of: minutes, hours or days')
  return ['csv', 'senml'].includes(format) ? undefined : problem(400, 'format: csv or senml')
}

/** Answers with a stream from its first byte on; who ends without one is answered by what it complained of. */
function firstWord(child: ChildProcess, type: string): Promise<HttpAnswer> {
  const stdout = child.stdout!
  let complaint = ''
  child.stderr!.setEncoding('utf8').on('data', (text: string) => {
    if (complaint.length < mostComplaint) complaint += text
  })
  return new Promise((resolve) => {
    stdout.once('readable', () => {
      if (stdout.readableLength > 0) resolve({ status: 200, type, body: whole(child, stdout) })
    })
    child.once('error', () => resolve(problem(500, 'the figures cannot be made here')))
    child.once('close', (code) =>
      resolve(
        code === 2
          ? problem(400, complaint.trim().slice(0, mostComplaint).replaceAll('--', ''))
          : problem(code === null ? 504 : 500, code === null ? 'that took too long' : 'they cannot be read'),
      ),
    )
  })
}

const mostComplaint = 400

/** What was killed at its limit must not look as if it had come to its end. */
function whole(child: ChildProcess, stdout: Readable): Readable {
  child.once('exit', (_, signal) => {
    if (signal !== null) stdout.destroy(new Error('ended before its end'))
  })
  stdout.once('close', () => child.kill('SIGKILL'))
  return stdout
}
