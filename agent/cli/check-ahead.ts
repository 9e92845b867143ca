import { availableParallelism } from 'node:os'
import { join } from 'node:path'
import { MessageChannel, receiveMessageOnPort, Worker } from 'node:worker_threads'
import type { ScanOptions } from '../store/store.js'
import type { DeskStore } from './desk.js'

const program = join(import.meta.dirname, 'check-ahead-thread.js')
/** Some weeks of minutes: a thread takes as long to start as it saves with fewer files. */
const leastFiles = 32

/** What a thread of `check-ahead-thread.ts` is given. */
export interface CheckAheadWork {
  readonly folder: string
  readonly files: readonly string[]
}

/** What it tells of a file of which every line passes: how many bytes it looked at. */
export type CheckedAhead = readonly [file: string, bytes: number]

export interface CheckAhead {
  /** What was found sound so far, for `scan`. */
  readonly sound: NonNullable<ScanOptions['sound']>
  end(): void
}

/**
 * A second thread checks the lines of a large store from its end, while this one reads it from its beginning: half of the time of
 * the first look at a year. Where no thread can be had nothing is known ahead, and every line is checked here.
 */
export function checkAhead({ folder, files }: DeskStore): CheckAhead {
  const known = new Map<string, number>()
  if (files.length < leastFiles || availableParallelism() < 2) return { sound: known, end: () => undefined }
  const { port1: port, port2 } = new MessageChannel()
  const work: CheckAheadWork = { folder, files: files.map(({ name }) => name).reverse() }
  const thread = new Worker(program, { workerData: { work, port: port2 }, transferList: [port2] })
  thread.on('error', () => undefined)
  thread.unref()
  const takeAll = (): void => {
    for (let told = receiveMessageOnPort(port); told; told = receiveMessageOnPort(port))
      known.set(...(told.message as CheckedAhead))
  }
  return {
    sound: {
      get: (file) => {
        takeAll()
        return known.get(file)
      },
    },
    end: () => {
      port.close()
      void thread.terminate()
    },
  }
}
