/* The part of CPython's stable binary interface that the generated message conversions use, declared here so that they
 * compile where the interpreter's own headers are not installed. Names and signatures: CPython documentation, "Stable
 * Application Binary Interface"; the two structs are laid out as there. */
#ifndef WITHY_PYTHON_H
#define WITHY_PYTHON_H

#include <assert.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/types.h>

typedef ssize_t Py_ssize_t;
typedef struct _object PyObject;
typedef PyObject *(*PyCFunction)(PyObject *, PyObject *);

typedef struct PyMethodDef {
  const char *ml_name;
  PyCFunction ml_meth;
  int ml_flags;
  const char *ml_doc;
} PyMethodDef;

typedef struct PyModuleDef_Base {
  Py_ssize_t ob_refcnt;
  void *ob_type;
  PyObject *(*m_init)(void);
  Py_ssize_t m_index;
  PyObject *m_copy;
} PyModuleDef_Base;

#define PyModuleDef_HEAD_INIT {1, NULL, NULL, 0, NULL}

typedef struct PyModuleDef {
  PyModuleDef_Base m_base;
  const char *m_name;
  const char *m_doc;
  Py_ssize_t m_size;
  PyMethodDef *m_methods;
  void *m_slots;
  void *m_traverse;
  void *m_clear;
  void *m_free;
} PyModuleDef;

#define PyMODINIT_FUNC __attribute__((visibility("default"))) PyObject *

/* 3 is the version of the stable interface itself. */
PyObject *PyModule_Create2(PyModuleDef *, int);
#define PyModule_Create(module) PyModule_Create2(module, 3)
int PyModule_AddObject(PyObject *, const char *, PyObject *);
PyObject *PyImport_ImportModule(const char *);
PyObject *PyCapsule_New(void *, const char *, void (*)(PyObject *));

void Py_IncRef(PyObject *);
void Py_DecRef(PyObject *);
#define Py_INCREF(object) Py_IncRef((PyObject *)(object))
#define Py_DECREF(object) Py_DecRef((PyObject *)(object))
#define Py_XDECREF(object) Py_DecRef((PyObject *)(object))

PyObject *PyObject_GetAttrString(PyObject *, const char *);
int PyObject_SetAttrString(PyObject *, const char *, PyObject *);
PyObject *PyObject_CallObject(PyObject *, PyObject *);

extern PyObject *PyExc_RuntimeError;
void PyErr_SetString(PyObject *, const char *);

struct _longobject;
extern struct _longobject _Py_TrueStruct;
#define Py_True ((PyObject *)&_Py_TrueStruct)
PyObject *PyBool_FromLong(long);
long PyLong_AsLong(PyObject *);
unsigned long PyLong_AsUnsignedLong(PyObject *);
PyObject *PyLong_FromLong(long);
PyObject *PyLong_FromUnsignedLong(unsigned long);
double PyFloat_AsDouble(PyObject *);
#define PyFloat_AS_DOUBLE(object) PyFloat_AsDouble(object)
PyObject *PyFloat_FromDouble(double);

PyObject *PyUnicode_AsUTF8String(PyObject *);
PyObject *PyUnicode_DecodeUTF8(const char *, Py_ssize_t, const char *);
char *PyBytes_AsString(PyObject *);
#define PyBytes_AS_STRING(object) PyBytes_AsString(object)

PyObject *PyList_New(Py_ssize_t);
int PyList_SetItem(PyObject *, Py_ssize_t, PyObject *);
Py_ssize_t PySequence_Size(PyObject *);
PyObject *PySequence_GetItem(PyObject *, Py_ssize_t);
PyObject *PySequence_List(PyObject *);

/* A list is as good as what PySequence_Fast gives, and holds its items while they are borrowed from it. */
#define PySequence_Fast(object, message) PySequence_List(object)
static inline PyObject *PySequence_Fast_GET_ITEM(PyObject *list, Py_ssize_t index)
{
  PyObject *item = PySequence_GetItem(list, index);
  Py_DecRef(item);
  return item;
}

#endif
